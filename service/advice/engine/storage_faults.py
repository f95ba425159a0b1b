"""Findings that readings cannot be had, or not stored: for whoever looks after the machine.

They stand outside the catalogue of rules, which judge readings.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Final

from service.advice.engine.recommendation import Evidence, Finding, Severity
from service.advice.engine.work import Who
from service.times import stored_moment

UNAVAILABLE: Final = "readings-unavailable"
WAITING: Final = "readings-waiting"

LASTING: Final = timedelta(minutes=5)
"""The store must be away for so long; a restart of it is no cause to call anybody. Our choice."""

_FORGOTTEN: Final = timedelta(days=1)
"""An ingester that has not reported for so long may have another name by now. Our choice."""


def readings_unavailable(reason: str, since: datetime) -> Finding:
    """The finding for each tank.

    Args:
        reason: what the store reports.
        since: when it was first found to be away, UTC.
    """
    return _finding(
        UNAVAILABLE,
        "",
        "No advice: the readings cannot be had",
        f"the store of readings reports: {reason}. New readings are stored elsewhere meanwhile.",
        Evidence(f"the store of readings is away: {reason}", time=since),
        since,
    )


def readings_waiting(statuses: Mapping[str, Mapping[str, Any]], now: datetime) -> list[Finding]:
    """The finding for each tank while ingesters take readings and cannot store them.

    Args:
        statuses: of all processes, by name.
    """
    found = []
    for name, status in statuses.items():
        reported = stored_moment(status.get("time"))
        if not name.startswith("ingest:") or reported is None or now - reported > _FORGOTTEN:
            continue
        oldest = stored_moment((status.get("spool") or {}).get("oldest"))
        since = stored_moment(status.get("last_commit")) if status.get("stalled") else oldest
        if since is not None and now - since >= LASTING:
            reasons = "; ".join(status.get("errors") or ()) or "no reason is known"
            ingester = name.partition(":")[2]
            finding = _finding(
                WAITING,
                ingester,
                "New readings cannot be stored",
                f"the ingester {ingester} reports: {reasons}. Nothing is lost so far.",
                Evidence(f"readings wait to be stored: {reasons}", time=since),
                since,
            )
            found.append(finding)
    return found


def _finding(
    code: str, subject: str, title: str, report: str, evidence: Evidence, since: datetime
) -> Finding:
    """One of both; ``report`` says who reports what, and what becomes of new readings."""
    return Finding(
        code=code,
        subject=subject,
        severity=Severity.WARNING,
        title=title,
        action="Tell whoever looks after the machine, and check the tank by eye until then. "
        f"What {report}",
        evidence=(evidence,),
        since=since,
        who=Who.ANYONE,
        confidence=1.0,
    )
