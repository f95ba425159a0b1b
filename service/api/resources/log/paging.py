"""Pages of a tank's log, newest first: so many entries, and the address of the rest."""

from __future__ import annotations

from collections.abc import Collection
from datetime import timedelta
from typing import Any

from service.api.context import current
from service.api.http.pagination import next_address
from service.registry.models.log import LogEntry, LogKind
from service.schemas.base import Schema
from service.schemas.fields import Whole
from service.schemas.times import Moment
from service.times import format_moment


class LogPageSchema(Schema):
    """Which entries of a log."""

    start = Moment("Only entries from this moment on.")
    end = Moment("Only entries before this moment.")
    limit = Whole("At most so many; default 100.", low=1, high=1000, text=True, load_default=100)


def log_page(
    tank: str, options: dict[str, Any], kinds: Collection[LogKind] | None
) -> tuple[list[LogEntry], str | None]:
    """Entries of a tank, and the address of the next page; None where there is none.

    Args:
        options: as ``LogPageSchema`` reads them.
        kinds: only these; None means all.

    Raises:
        NotFoundError: no such tank.
    """
    registry, limit = current().registry, options["limit"]
    span = {"start": options.get("start"), "end": options.get("end")}
    entries = registry.log(tank, **span, kinds=kinds, limit=limit + 1)
    if len(entries) <= limit:
        return entries, None
    # The next part begins at a new moment, so that none of equal time is lost.
    first_left = entries[limit].time
    newer = [entry for entry in entries[:limit] if entry.time > first_left]
    if not newer:
        after = first_left + timedelta(microseconds=1)
        newer = registry.log(tank, start=first_left, end=after, kinds=kinds)
    return newer, next_address(end=format_moment(newer[-1].time))
