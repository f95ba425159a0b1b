"""Lit intervals by the photoperiod plan, and those of them that CO2 is judged by."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta

from service.derive.co2.daily import LightSpan
from service.derive.co2.lit import Lit
from service.derive.local_time import local_day, local_midnight, local_moment
from service.derive.models.light import LightDay
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Tank

AFTER_CHANGE = timedelta(hours=3)
"""So long after a water change CO2 is still rising again. Our choice."""


def planned_lit(tank: Tank, first: date, now: datetime) -> tuple[tuple[datetime, datetime], ...]:
    """The planned hours of light from a local day up to now, for a tank without a light sensor."""
    plan = tank.light
    if plan.photoperiod_h <= 0:
        return ()
    spans = []
    day = first
    while (on := local_moment(tank, day, plan.start)) < now:
        spans.append((on, min(on + timedelta(hours=plan.photoperiod_h), now)))
        day += timedelta(days=1)
    return tuple(spans)


def light_spans(tank: Tank, days: tuple[LightDay, ...], lit: Lit) -> list[LightSpan]:
    """First on and last off of each day with light, and when the gas is off as well.

    Days on which the lamp went on or off unseen are left out.
    """
    if days:
        spans = [
            (one.day, one.lit[0][0], one.lit[-1][1])
            for one in days
            if one.lit and _edges_seen(tank, one)
        ]
    else:
        spans = [(local_day(tank, on), on, off) for on, off in lit]
    return [LightSpan(day, on, off, max(off, gas_off(tank, on))) for day, on, off in spans]


def _edges_seen(tank: Tank, day: LightDay) -> bool:
    """Whether it was seen when the lamp went on and off, or that it was lit over midnight."""
    begin, end = (local_midnight(tank, day.day + timedelta(days=n)) for n in (0, 1))
    on = day.on_at is not None or day.lit[0][0] <= begin
    off = day.off_at is not None or day.lit[-1][1] >= end or not day.complete
    return on and off


def gas_off(tank: Tank, on: datetime) -> datetime:
    """When the gas goes off by plan after a lights-on; that moment itself where not switched."""
    plan = tank.gas.end
    if plan is None:
        return on
    day = local_day(tank, on)
    off = local_moment(tank, day, plan)
    return off if off > on else local_moment(tank, day + timedelta(days=1), plan)


def judged_light(tank: Tank, lit: Lit, log: Sequence[LogEntry], now: datetime) -> Lit:
    """The light that CO2 is judged by: as planned, and not right after a water change.

    Light beyond the plan is the lamp's fault, not the gas's; new water needs hours to take up
    gas. Where lamp and plan hardly meet, the plan is not the tank's, and all light counts.
    """
    first = local_day(tank, now - timedelta(days=2))
    plan = planned_lit(tank, first, now)
    both = [
        (max(on, start), min(off, end))
        for on, off in lit
        for start, end in plan
        if on < end and off > start
    ]
    recent = [one for one in lit if one[1] > now - timedelta(days=2)]
    if 2 * _length(both) < _length(recent):
        both = recent
    for entry in log:
        if entry.kind == LogKind.WATER_CHANGE and now - timedelta(days=2) < entry.time <= now:
            both = _without(both, entry.time, entry.time + AFTER_CHANGE)
    return tuple(both)


def _length(spans: Iterable[tuple[datetime, datetime]]) -> float:
    return sum((off - on).total_seconds() for on, off in spans)


def _without(
    spans: Iterable[tuple[datetime, datetime]], start: datetime, end: datetime
) -> list[tuple[datetime, datetime]]:
    """The spans without what lies between two moments."""
    left: list[tuple[datetime, datetime]] = []
    for on, off in spans:
        left += [(a, b) for a, b in ((on, min(off, start)), (max(on, end), off)) if a < b]
    return left
