"""Today's light as a strip of 24 hours: what was lit, what is planned, when the gas runs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time

from service.derive.models.light import LightDay
from service.derive.models.tank_view import TankView
from service.pages.local_time import LocalTime

DAY_S = 86_400.0
NEARLY_ALL = 0.98


@dataclass(frozen=True, slots=True)
class Bar:
    """A stretch of the day: start and length as shares of it, in percent."""

    start: float
    length: float


@dataclass(frozen=True, slots=True)
class DaySketch:
    """The strip.

    Attributes:
        lit, planned, gas: stretches.
        now: the present moment, percent of the day.
        words: the same in words.
        facts: name -> value of the day's light.
    """

    lit: tuple[Bar, ...]
    planned: tuple[Bar, ...]
    gas: tuple[Bar, ...]
    now: float
    words: str
    facts: tuple[tuple[str, str], ...]


def day_sketch(view: TankView, local_time: LocalTime) -> DaySketch | None:
    """The strip of today; None where no light is measured."""
    if not view.light_days:
        return None
    today = view.light_days[-1]
    light, plan = view.tank.light, view.tank.gas
    off = clock_after(light.start, light.photoperiod_h)
    gas: tuple[Bar, ...] = ()
    if plan.start is not None and plan.end is not None:
        gas = planned_bars(plan.start, plan.end)
    lit = ", ".join(
        f"{_clock(local_time, start)} to {_clock(local_time, end)}" for start, end in today.lit
    )
    return DaySketch(
        lit=tuple(_bar(local_time, start, end) for start, end in today.lit),
        planned=planned_bars(light.start, off),
        gas=gas,
        now=_share(local_time, local_time.now),
        words=f"Lit so far: {lit or 'not yet'}. Planned {light.start:%H:%M} to {off:%H:%M}.",
        facts=tuple(_facts(today)),
    )


def _facts(day: LightDay) -> list[tuple[str, str]]:
    facts = []
    if day.photoperiod_h is not None:
        facts.append(("lit", f"{day.photoperiod_h:.1f} h"))
    if day.covered_share < NEARLY_ALL:
        facts.append(("seen", f"{100 * day.covered_share:.0f} % of the day"))
    if day.dli_mol_m2_d is not None:
        facts.append(("light sum", f"{day.dli_mol_m2_d:.1f} mol/m²"))
    if day.ppfd_peak_umol_m2_s is not None:
        facts.append(("peak", f"{day.ppfd_peak_umol_m2_s:.0f} µmol/m²/s"))
    if day.co2_within_share is not None:
        facts.append(("CO2 in range while lit", f"{100 * day.co2_within_share:.0f} %"))
    return facts


def planned_bars(start: time, end: time) -> tuple[Bar, ...]:
    """The stretch between two times of day; in two parts where it goes past midnight."""
    first, last = _of(start), _of(end)
    if last >= first:
        return (Bar(first, last - first),)
    return (Bar(0.0, last), Bar(first, 100.0 - first))


def _bar(local_time: LocalTime, start: datetime, end: datetime) -> Bar:
    first = _share(local_time, start)
    last = _share(local_time, end) or 100.0
    return Bar(first, max(last - first, 0.0))


def _share(local_time: LocalTime, moment: datetime) -> float:
    return _of(local_time.local(moment).time())


def _of(clock: time) -> float:
    return (clock.hour * 3600 + clock.minute * 60 + clock.second) / DAY_S * 100.0


def clock_after(clock: time, hours: float) -> time:
    """The time of day so many hours after another."""
    minutes = round(clock.hour * 60 + clock.minute + hours * 60) % (24 * 60)
    return time(minutes // 60, minutes % 60)


def _clock(local_time: LocalTime, moment: datetime) -> str:
    return f"{local_time.local(moment):%H:%M}"
