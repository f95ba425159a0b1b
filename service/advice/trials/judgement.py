"""Judges a trial: the days before its change against those after, and what else changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Final, Protocol

from service.advice.trials.confounders import Confounder, confounders
from service.derive.loader import load
from service.derive.local_time import local_day, local_midnight, local_moment
from service.derive.log_in_force import LogSource
from service.derive.watched.comparison import Comparison, DayValue, compare
from service.derive.watched.tank_days import TankDays
from service.derive.watched.values import WATCHED
from service.registry.models.tank import Tank
from service.registry.models.trials import Trial
from service.science.numeric.before_after import LEAST_DAYS
from service.store.interface import Store

LEAST_BEFORE: Final = 14
MOST_BEFORE: Final = 42
"""Days before the change that are compared: whole weeks, as many as the trial is long."""

NOON: Final = timedelta(hours=12)


class Verdict(StrEnum):
    """What can be said of one watched value."""

    ROSE = "rose"
    FELL = "fell"
    NO_DIFFERENCE = "no-difference"
    REACHED = "reached"
    NOT_REACHED = "not-reached"
    TOO_LITTLE = "too-little"


@dataclass(frozen=True, slots=True)
class Change:
    """After minus before, with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Answer:
    """The result of one watched value.

    Attributes:
        name, title, unit: of ``service.derive.watched``.
        before, after: means of the days that count; None where there are too few.
        change: None where there are too few days, or what counts is a number of days.
        days_before, days_after: that count.
        left_out: days that sensors did not show.
        days: all of both sides.
    """

    name: str
    title: str
    unit: str
    verdict: Verdict
    sentence: str
    before: float | None
    after: float | None
    change: Change | None
    days_before: int
    days_after: int
    left_out: int
    days: tuple[DayValue, ...]


@dataclass(frozen=True, slots=True)
class Judgement:
    """The result of a trial.

    Attributes:
        time: when it was judged, UTC.
        final: whether its date had come; else it is what can be said so far.
        changed: local day of the change, which belongs to neither side.
        confounders: what else changed on the days that are compared, oldest first.
    """

    time: datetime
    final: bool
    changed: date
    answers: tuple[Answer, ...]
    confounders: tuple[Confounder, ...]

    @property
    def sentence(self) -> str:
        """All of it, in sentences."""
        said = " ".join(one.sentence for one in self.answers)
        found = any(one.verdict in (Verdict.ROSE, Verdict.FELL) for one in self.answers)
        if not self.confounders:
            return said
        doubt = "so the change may not be the cause" if found else "which may hide a difference"
        return f"{said} Other things changed as well, {doubt}."


class Log(LogSource, Protocol):
    """What of the registry is needed."""


def judge(trial: Trial, tank: Tank, registry: Log, store: Store, now: datetime) -> Judgement:
    """Judge a trial at a moment, on its date or any day before.

    Args:
        tank: as it is registered.

    Raises:
        StoreUnavailableError, StoreRefusedError, NotFoundError: as ``load``.
    """
    end = min(now, trial.look_again if trial.ended is None else trial.ended)
    changed = local_day(tank, trial.begun)
    last = local_day(tank, end) - timedelta(days=1)
    count = days_before(trial)
    first = changed - timedelta(days=count)
    tanks = [tank if one is None else one.put_into(tank) for one in (trial.before, trial.after)]
    until = min(now, local_moment(tanks[0], changed, tanks[0].light.start))
    before = _days(tanks[0], registry, store, first, until, None)
    morning = last + timedelta(days=1)
    lights_on = local_moment(tanks[1], morning, tanks[1].light.start)
    until = min(now, max(local_midnight(tank, morning) + NOON, lights_on))
    after = _days(tanks[1], registry, store, changed + timedelta(days=1), until, before)
    watched = [WATCHED[name] for name in trial.watched if name in WATCHED]
    compared = [compare(one, before, after, changed, last) for one in watched]
    rests_on = frozenset(kind for one in watched for kind in one.rests_on)
    begin = local_midnight(tank, first)
    log = {one.id: one for one in (*before.inputs.log, *after.inputs.log)}
    return Judgement(
        time=now,
        final=now >= trial.look_again or trial.ended is not None,
        changed=changed,
        answers=tuple(_answer(one) for one in compared),
        confounders=confounders(trial, tank, list(log.values()), begin, end, rests_on),
    )


def days_before(trial: Trial) -> int:
    """How many days before the change are compared."""
    planned = (trial.look_again - trial.begun).days
    return max(LEAST_BEFORE, min(-(-planned // 7) * 7, MOST_BEFORE))


def _days(
    tank: Tank,
    registry: Log,
    store: Store,
    first: date,
    until: datetime,
    like: TankDays | None,
) -> TankDays:
    """The days from ``first`` on; the one before is loaded with them, for its night."""
    start = local_midnight(tank, first - timedelta(days=1))
    days = max((until - start) / timedelta(days=1), 0.5)
    inputs = load(tank, registry, store, until, days=days)
    return TankDays(replace(inputs, start=start), like)


def _answer(one: Comparison) -> Answer:
    found, (before, after) = one.difference, one.usable
    verdict = verdict_of(one)
    return Answer(
        name=one.watched.name,
        title=one.watched.title,
        unit=one.watched.unit,
        verdict=verdict,
        sentence=_sentence(one, verdict),
        before=None if found is None else found.before,
        after=None if found is None else found.after,
        change=None if found is None else Change(found.step, found.low, found.high),
        days_before=before,
        days_after=after,
        left_out=len(one.left_out),
        days=one.days,
    )


def verdict_of(one: Comparison) -> Verdict:
    """What can be said of a comparison."""
    if one.reached is not None:
        if one.usable[1] < LEAST_DAYS and one.reached.latest is None:
            return Verdict.TOO_LITTLE
        return Verdict.NOT_REACHED if one.reached.latest is None else Verdict.REACHED
    found = one.difference
    if found is None:
        return Verdict.TOO_LITTLE
    # What rounds to nothing for people is no difference, however sure it is.
    seen = found.sure and round(abs(found.step), one.watched.digits) > 0
    if seen and found.low > 0:
        return Verdict.ROSE
    return Verdict.FELL if seen and found.high < 0 else Verdict.NO_DIFFERENCE


def _sentence(one: Comparison, verdict: Verdict) -> str:
    watched, found = one.watched, one.difference
    if verdict is Verdict.TOO_LITTLE:
        return f"{watched.title}: too little to say: {_too_few(one)}."
    if one.reached is not None:
        return _reached(one)
    assert found is not None
    unit = watched.unit_words
    if verdict is Verdict.NO_DIFFERENCE:
        most = watched.shown(max(abs(found.low), abs(found.high), 0.5 * 10.0**-watched.digits))
        return (
            f"{watched.title}: no difference seen; a difference of more than {most} {unit} would "
            "have shown."
        )
    ends = sorted((abs(found.low), abs(found.high)))
    low, high = (watched.shown(value) for value in ends)
    return f"{watched.title} {verdict} by {watched.shown(found.step)} {unit} ({low} to {high})."


def _too_few(one: Comparison) -> str:
    sides: Sequence[tuple[str, int]] = list(zip(("before", "after"), one.usable, strict=True))
    if one.reached is not None:
        sides = sides[1:]
    few = [
        f"{count} usable day{'' if count == 1 else 's'} {side} the change"
        for side, count in sides
        if count < LEAST_DAYS
    ]
    return f"{' and '.join(few)}, {LEAST_DAYS} are needed"


def _reached(one: Comparison) -> str:
    found, title = one.reached, one.watched.title
    assert found is not None
    if found.latest is None:
        return f"{title}: not reached on the {found.days} days that were seen."
    if found.earliest == found.latest:
        return f"{title}: {found.latest}."
    return (
        f"{title}: {found.earliest} to {found.latest}, since sensors did not show the days before."
    )
