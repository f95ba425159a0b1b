"""Queries on a tank's log: what was done, and when last."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from service.advice.engine.rule import Case
from service.registry.models import DosePlan, LogEntry, LogKind

NOON = time(12)
WORK_KINDS = (LogKind.TRIM, LogKind.REPLANT)


def entries(case: Case, *kinds: LogKind) -> Iterator[LogEntry]:
    """Entries of some kinds up to now, newest first."""
    return (one for one in case.view.log if one.kind in kinds and one.time <= case.now)


def newest(case: Case, *kinds: LogKind) -> LogEntry | None:
    """The newest entry of some kinds; None if there is none."""
    return next(entries(case, *kinds), None)


def last_full_change(case: Case) -> LogEntry | None:
    """The newest water change that was large enough to count as the routine one.

    One without a fraction counts: whoever logged it meant the usual.
    """
    enough = case.limit("change_counts_share") * case.tank.water_change.fraction
    for one in entries(case, LogKind.WATER_CHANGE):
        if float(one.data.get("fraction", 1.0)) >= enough - 1e-9:
            return one
    return None


def work_without_change(case: Case) -> LogEntry | None:
    """The newest major work on plants or soil that no large water change followed."""
    oldest = case.now - timedelta(days=case.limit("work_window_days"))
    for one in entries(case, *WORK_KINDS):
        if one.time < oldest:
            return None
        if is_major(case, one):
            changed = changed_since(case, one.time, case.limit("work_change_fraction"))
            return None if changed else one
    return None


def is_major(case: Case, work: LogEntry) -> bool:
    """Whether a trim or replant touched much; a replant without a share did."""
    default = 1.0 if work.kind == LogKind.REPLANT else 0.0
    return float(work.data.get("fraction", default)) >= case.limit("work_share")


def changed_since(case: Case, start: datetime, fraction: float) -> bool:
    """Whether water changes from ``start`` on replaced at least ``fraction`` in all.

    Several count together as dilution does: two of 30 % leave 0.7 x 0.7. A change without a
    fraction counts as the plan's.
    """
    left = 1.0
    for one in entries(case, LogKind.WATER_CHANGE):
        if one.time < start:
            break
        left *= 1.0 - float(one.data.get("fraction", case.tank.water_change.fraction))
    return 1.0 - left >= 0.9 * fraction


def newest_calibration(case: Case, quantity: str) -> LogEntry | None:
    """The newest calibration of a quantity's sensor; one that names no quantity is of pH."""
    for one in entries(case, LogKind.CALIBRATION):
        if one.data.get("quantity", "ph") == quantity:
            return one
    return None


def planned_doses(case: Case, plan: DosePlan, *, unnamed: bool = False) -> Iterator[LogEntry]:
    """Entries of a planned dose up to now, newest first.

    Args:
        unnamed: also entries without a name, which count for every planned dose.
    """
    names = {_name(plan.name), *([""] if unnamed else [])}
    return (one for one in entries(case, LogKind.DOSE) if _name(one.data.get("name", "")) in names)


def set_up_at(case: Case) -> datetime | None:
    """Noon of the day on which the tank was set up, in its own time zone; None if not known."""
    if case.tank.set_up is None:
        return None
    return datetime.combine(case.tank.set_up, NOON, ZoneInfo(case.tank.time_zone))


def days_since(case: Case, moment: datetime) -> float:
    """Days from a moment to now."""
    return (case.now - moment).total_seconds() / 86_400


def _name(value: object) -> str:
    return str(value).strip().casefold()
