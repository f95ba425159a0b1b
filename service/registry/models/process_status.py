"""What the status of a process says of itself, and how others see whether it still runs."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from service.process_identity import has_ended
from service.times import stored_moment

PROCESS: Final = "process"
"""Which process wrote it."""

WRITTEN_EVERY_S: Final = "written_every_s"
"""It is written so often, at least, while nothing changes but times and counts; else always."""

_SILENT_AFTER_S: Final = 150.0
_OF_INTERVAL: Final = 1.25
"""A process counts as silent this long after its last status: the former at least, and the latter
times the interval of one that is written rarely. Our choice."""


def written_every_s(status: Mapping[str, Any]) -> float:
    """How much older than its process's state a status may be, machine seconds."""
    return float(status.get(WRITTEN_EVERY_S) or 0.0)


def is_silent(status: Mapping[str, Any], now: datetime, speed: float) -> bool:
    """Whether a process does not count as running: it ended, or has not written for too long.

    Args:
        now: by the service's clock.
        speed: of that clock against the machine's.
    """
    time = stored_moment(status.get("time"))
    if time is None or has_ended(str(status.get(PROCESS, ""))):
        return True
    allowed_s = max(_SILENT_AFTER_S, _OF_INTERVAL * written_every_s(status))
    return (now - time).total_seconds() > allowed_s * speed
