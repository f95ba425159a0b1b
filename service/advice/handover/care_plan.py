"""What is to be done in the days to come, by plan: dated tasks with amounts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final

from service.advice.care_log import (
    dosed_since,
    last_full_change,
    parts_done,
    planned_amount,
    remaining,
    work_without_change,
)
from service.advice.cautions import cautions_for
from service.advice.engine.instruction import hazards_of
from service.advice.engine.recommendation import Amount, Instruction, LogDraft
from service.advice.engine.rule import Case
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import dose, local_date
from service.advice.rules.nutrients.due import entry_of_dose, rate_text
from service.advice.rules.nutrients.need import left_out, needs_of
from service.advice.rules.upkeep.cylinder import cylinder_of
from service.advice.rules.upkeep.routine_work import (
    CALIBRATION,
    FILTER,
    KH_TEST,
    PREFILTER,
    Work,
    last_done,
)
from service.advice.rules.upkeep.trim import trim_day
from service.advice.rules.water import after_work, routine
from service.advice.rules.water.new_water import new_water
from service.derive.local_time import local_day, local_moment

MORNING: Final = time(9)
EVENING: Final = time(18)
DAILY_CHECK: Final = "look"
"""Code of the daily check."""
CAN_WAIT: Final = (FILTER, CALIBRATION)
"""Work that is left to the tank's owner unless it grows far overdue: it can do harm in
unpractised hands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task(Instruction):
    """One thing to do on one day.

    Attributes:
        due: by when, UTC; day: the tank's local date.
        code: of the rule that asks for it; ``look`` for the daily check.
        log: the log entry that doing it leaves; None: an observation that it was done.
    """

    due: datetime
    day: date
    code: str
    subject: str = ""
    log: LogDraft | None = None


def tasks_between(case: Case, start: datetime, end: datetime) -> list[Task]:
    """What the plans of a tank ask for in a stretch of time, in order of time.

    What is overdue at its beginning falls on its first day.

    Args:
        start, end: UTC.
    """
    found = [
        *_water_and_doses(case, start, end),
        *_work(case, start, end),
        *_trim(case, start, end),
        *_cylinder(case, start, end),
        *_daily_checks(case, start, end),
    ]
    return sorted((one for one in found if start <= one.due < end), key=lambda one: one.due)


def first_day(case: Case, start: datetime, at: time) -> datetime:
    """The first moment of that time of day from ``start`` on, or ``start`` itself where it falls
    later on the same day."""
    moment = local_moment(case.tank, local_day(case.tank, start), at)
    return max(moment, start)


def task(
    case: Case,
    due: datetime,
    code: str,
    title: str,
    action: str,
    hazards: Iterable[Hazard],
    *,
    subject: str = "",
    amounts: tuple[Amount, ...] = (),
    who: Who = Who.ANYONE,
    log: LogDraft | None = None,
) -> Task:
    """A task of a tank, with the cautions that its hazards and amounts ask for."""
    return Task(
        due=due,
        day=local_day(case.tank, due),
        code=code,
        subject=subject,
        title=title,
        action=action,
        cautions=cautions_for((*hazards, *hazards_of(amounts)), case.tank),
        amounts=amounts,
        who=who,
        log=log,
    )


def later_evening(case: Case, at: datetime, every: timedelta) -> datetime:
    """The evening so long after another, by the clock on the wall, also over its change."""
    day = local_day(case.tank, at + every)
    return local_moment(case.tank, max(day, local_day(case.tank, at) + timedelta(days=1)), EVENING)


def _water_and_doses(case: Case, start: datetime, end: datetime) -> Iterator[Task]:
    """The routine changes that fall into the stretch, each with the doses that follow it."""
    plan = case.tank.water_change
    if plan.every_days <= 0:
        return
    last = last_full_change(case)
    work = work_without_change(case)
    due = case.now if last is None else last.time + timedelta(days=plan.every_days)
    if work is not None:
        due = case.now
    earliest = first_day(case, start, EVENING)
    at = max(local_moment(case.tank, local_day(case.tank, due), EVENING), earliest)
    if last is not None and at > earliest and work is None:
        # Doses that the last change still waits for.
        yield from _open_doses(case, start)
    done = [one for one in parts_done(case) if work is None or one.time >= work.time]
    while at < end:
        large = max(plan.fraction, case.limit("work_change_fraction"))
        wanted = remaining(case, plan.fraction if work is None else large, done)
        water, first, done = new_water(case, wanted), at, []
        for part in range(water.parts):
            at = later_evening(case, first, timedelta(days=part)) if part else first
            yield task(
                case,
                at,
                routine.CODE if work is None else after_work.CODE,
                f"Change {water.each_text}",
                f"{water.how}Siphon off what lies loose on the substrate. {water.reuse}".strip(),
                water.hazards,
                amounts=water.amounts,
                log=water.log,
            )
        for number, planned in enumerate(case.tank.doses, start=1):
            yield _dose(case, planned.name, at + timedelta(minutes=20 + number))
        # a change in parts is made with the last of them, as the rule on routine changes counts
        at, work = later_evening(case, at, timedelta(days=plan.every_days)), None


def _open_doses(case: Case, start: datetime) -> Iterator[Task]:
    change = last_full_change(case)
    if change is None:
        return
    window = timedelta(days=case.limit("dose_window_days"))
    for planned in case.tank.doses:
        due = dosed_since(case, planned, change) is None and start < change.time + window
        if due and not left_out(needs_of(case, planned)):
            yield _dose(case, planned.name, first_day(case, start, EVENING))


def _dose(case: Case, name: str, at: datetime) -> Task:
    planned = next(one for one in case.tank.doses if one.name == name)
    amount = planned_amount(case, planned)
    how_much = rate_text(planned) if amount is None else dose(amount)
    return task(
        case,
        at,
        "dose-due",
        f"Dose {name}: {how_much}",
        "After the water change, once, spread over the surface; log it. If it was forgotten, "
        "leave it out: never double it.",
        (Hazard.CHEMICALS,),
        subject=name,
        amounts=() if amount is None else (amount,),
        log=entry_of_dose(planned, amount),
    )


def _work(case: Case, start: datetime, end: datetime) -> Iterator[Task]:
    """Upkeep by the calendar; what can wait is asked for only where it grows far overdue."""
    for work in (PREFILTER, FILTER, KH_TEST, CALIBRATION):
        last = last_done(case, work)
        if last is None:
            continue
        every = timedelta(days=case.limit(work.interval))
        due = last + every * (case.limit("upkeep_overdue_factor") if work in CAN_WAIT else 1.0)
        at = max(
            local_moment(case.tank, local_day(case.tank, due), EVENING),
            first_day(case, start, EVENING),
        )
        while at < end:
            yield _work_task(case, work, at)
            at = later_evening(case, at, every)


def _work_task(case: Case, work: Work, at: datetime) -> Task:
    return task(case, at, work.code, work.title, work.how, work.hazards, who=work.who, log=work.log)


def _trim(case: Case, start: datetime, end: datetime) -> Iterator[Task]:
    day = trim_day(case)
    if day is None or day >= end:
        return
    at = max(
        local_moment(case.tank, local_day(case.tank, day), EVENING), first_day(case, start, EVENING)
    )
    yield task(
        case, at, "trim-due", "Stems will be near the surface",
        "It can wait a week or two. If they lie on the surface and shade the rest, cut them to "
        f"about {case.limit('stem_height_cm'):.0f} cm and take the cuttings out.",
        (Hazard.MAINS, Hazard.STOPPED), who=Who.KEEPER,
    )  # fmt: skip


def _cylinder(case: Case, start: datetime, end: datetime) -> Iterator[Task]:
    cylinder = cylinder_of(case)
    if cylinder is None or cylinder.empty_at >= end:
        return
    at = max(cylinder.empty_at - timedelta(days=2), first_day(case, start, MORNING))
    yield task(
        case, at, "cylinder-low", "The CO2 cylinder will soon be empty",
        f"By its use it is empty about {local_date(case.tank, cylinder.empty_at, case.now)}. If "
        "you have been shown how, put the full one on. If not, close the cylinder and leave the "
        "tank without CO2: plants bear that for weeks.",
        (Hazard.CO2,), amounts=(Amount("CO2 per day", cylinder.g_per_day, "g"),),
        who=Who.KEEPER,
    )  # fmt: skip


def _daily_checks(case: Case, start: datetime, end: datetime) -> Iterator[Task]:
    """The daily check."""
    day = local_day(case.tank, start)
    while (at := max(local_moment(case.tank, day, MORNING), start)) < end:
        yield task(
            case,
            at,
            DAILY_CHECK,
            "Look at the tank",
            _look(case),
            (Hazard.ANIMALS,) if case.tank.animals else (),
        )
        day += timedelta(days=1)


def _look(case: Case) -> str:
    """What to see each day, with the tank's own numbers; only what it has."""
    plan, found = case.tank.light, case.view.temperature.tolerable
    seen = ["Filter running", "nothing rotting"]
    if plan.photoperiod_h > 0:
        seen.insert(1, f"lamp on from {plan.start:%H:%M} for {plan.photoperiod_h:g} h")
    if found.low_c is not None and found.high_c is not None:
        seen.insert(0, f"Temperature {found.low_c:g} to {found.high_c:g} °C")
    if case.tank.animals:
        seen.insert(0, "Animals all there and calm")
    first, *rest = seen
    looks = "; ".join([first, *(f"{one[0].lower()}{one[1:]}" for one in rest)])
    return f"{looks}." + (" Feed as written down, not more." if case.tank.animals else "")
