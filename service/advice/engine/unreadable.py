"""The finding that no readings of a tank can be had: for whoever looks after the machine.

It stands outside the catalogue of rules, which judge readings.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from service.advice.engine.recommendation import Evidence, Finding, Severity
from service.advice.engine.work import Who

CODE: Final = "readings-unavailable"

LASTING: Final = timedelta(minutes=5)
"""The store must be away for so long; a restart of it is no cause to call anybody. Our choice."""


def readings_unavailable(reason: str, since: datetime) -> Finding:
    """The finding for each tank.

    Args:
        reason: what the store reports.
        since: when it was first found to be away, UTC.
    """
    return Finding(
        code=CODE,
        severity=Severity.WARNING,
        title="No advice: the readings cannot be had",
        action="Tell whoever looks after the machine, and check the tank by eye until then. What "
        f"the store of readings reports: {reason}. New readings are kept meanwhile.",
        evidence=(Evidence(f"the store of readings is away: {reason}", time=since),),
        since=since,
        who=Who.ANYONE,
        confidence=1.0,
    )
