"""Whether an evaluation of the tanks is overdue, by the last status of the scheduler."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from service.registry.models.process_status import written_every_s
from service.times import format_moment

EVALUATIONS_MISSED: Final = 3
LEAST_LIFETIME_S: Final = 60.0
"""Values count for three evaluations that did not come, and a minute at least. Our choice."""


def lifetime_s(every_s: float) -> float:
    """Machine seconds for which the values of an evaluation count; after them one is overdue.

    Args:
        every_s: from one evaluation to the next.
    """
    return max(EVALUATIONS_MISSED * every_s, LEAST_LIFETIME_S)


def overdue(
    status: Mapping[str, Any] | None, now: datetime, *, usual_s: float, up_s: float, speed: float
) -> str:
    """Why the tanks' evaluation counts as overdue, one sentence; "" while it does not.

    A process that has just started is given as long as the scheduler is.

    Args:
        status: of the scheduler as it was stored last; None: it never was.
        now: by the service's clock.
        usual_s: ``lifetime_s`` by the configuration, where the status has no interval.
        up_s: machine seconds since this process started.
        speed: of the service's clock against the machine's.
    """
    known = {} if status is None else status
    every_s = known.get("every_s")
    allowed_s = usual_s if every_s is None else lifetime_s(float(every_s))
    allowed_s += written_every_s(known)
    if up_s <= allowed_s:
        return ""
    evaluated = known.get("evaluated")
    if not evaluated:
        return f"the tanks were never evaluated; allowed: within {allowed_s:.0f} s of the start"
    at = datetime.fromisoformat(str(evaluated))
    age_s = (now - at).total_seconds() / speed
    if age_s <= allowed_s:
        return ""
    return (
        f"the tanks were last evaluated at {format_moment(at)}, {age_s:.0f} s ago; allowed: "
        f"{allowed_s:.0f} s"
    )
