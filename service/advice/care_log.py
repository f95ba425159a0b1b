"""Queries on a tank's log: what was done, and when last."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, time, timedelta
from math import prod
from zoneinfo import ZoneInfo

from service.advice.engine.recommendation import Amount
from service.advice.engine.rule import Case
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.plans import DosePlan

NOON = time(12)
NEARLY = 0.9
"""A change counts as complete from this share of it on: fractions are judged by eye. Our choice."""
PART_GAP = timedelta(days=2)
"""Parts of one water change follow each other within this. Our choice."""
WORK_KINDS = (LogKind.TRIM, LogKind.REPLANT)


def entries(case: Case, *kinds: LogKind) -> Iterator[LogEntry]:
    """Entries of some kinds up to now, newest first."""
    if len(kinds) == 1:
        return iter(case.log_by_kind.get(kinds[0], ()))
    return (one for one in case.view.log if one.kind in kinds and one.time <= case.now)


def newest(case: Case, *kinds: LogKind) -> LogEntry | None:
    """The newest entry of some kinds; None if there is none."""
    return next(entries(case, *kinds), None)


def last_full_change(case: Case) -> LogEntry | None:
    """The newest water change that was large enough to count as the routine one.

    One without a fraction counts: whoever logged it meant the usual. Several on following days
    count as one where together they renewed what the plan asks for.
    """
    enough = case.limit("change_counts_fraction") * case.tank.water_change.fraction
    changes = list(entries(case, LogKind.WATER_CHANGE))
    for number, one in enumerate(changes):
        if float(one.data.get("fraction", 1.0)) >= enough - 1e-9:
            return one
        if renewed(_in_a_row(changes[number:])) >= NEARLY * case.tank.water_change.fraction:
            return one
    return None


def parts_done(case: Case) -> list[LogEntry]:
    """Water changes of the last days that are parts of one that is not complete, newest first."""
    full = last_full_change(case)
    changes = [
        one for one in entries(case, LogKind.WATER_CHANGE) if full is None or one.time > full.time
    ]
    recent = bool(changes) and case.now - changes[0].time <= PART_GAP
    return _in_a_row(changes) if recent else []


def renewed(changes: Iterable[LogEntry]) -> float:
    """Share of the water that several changes renewed together: two of 30 % leave 0.7 x 0.7."""
    return 1.0 - prod(1.0 - float(one.data.get("fraction", 1.0)) for one in changes)


def remaining(case: Case, fraction: float, done: Iterable[LogEntry]) -> float:
    """What is left of a change of so much after its parts that were done."""
    left = (1.0 - fraction) / max(1.0 - renewed(done), 1e-9)
    return max(1.0 - left, 0.0)


def _in_a_row(changes: Sequence[LogEntry]) -> list[LogEntry]:
    """The first of some changes, newest first, and those that it followed within two days."""
    found: list[LogEntry] = []
    for one in changes:
        if found and found[-1].time - one.time > PART_GAP:
            break
        found.append(one)
    return found


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
    return float(work.data.get("fraction", default)) >= case.limit("work_fraction")


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
    return 1.0 - left >= NEARLY * fraction


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


def dosed_since(case: Case, plan: DosePlan, change: LogEntry) -> LogEntry | None:
    """The newest entry of a dose since a water change; None if it was not given.

    An entry without a name counts for every planned dose.
    """
    newest = next(planned_doses(case, plan, unnamed=True), None)
    return None if newest is None or newest.time < change.time else newest


def planned_amount(case: Case, plan: DosePlan) -> Amount | None:
    """The dose for the tank's net volume; None where the volume or the plan's rate is missing."""
    volume_l = case.view.net_volume_l
    if volume_l is None:
        return None
    if plan.ml_per_100_l is not None:
        return Amount(plan.name, plan.ml_per_100_l * volume_l / 100, "mL")
    if plan.g_per_100_l is not None:
        return Amount(plan.name, plan.g_per_100_l * volume_l / 100, "g")
    return None


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
