"""Light at the limits of its rules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

from service.derive.models.tank_view import TankView
from service.registry.models.log import LogKind
from tests.advice.cases import DAY, HOUR
from tests.advice.rules.at_the_limit.views import Jitter, Walk, base
from tests.derive.pieces import NOON, entry


def lit_days(view: TankView, *, off_min: float = 0.0, on_min: float = 0.0) -> TankView:
    """The same with a lamp that goes on and off so much later."""
    days = []
    for day in view.light_days:
        lit = tuple(
            (on + timedelta(minutes=on_min), off + timedelta(minutes=off_min))
            for on, off in day.lit
        )
        hours = sum((off - on).total_seconds() for on, off in lit) / 3600
        ends = {"on_at": lit[0][0], "off_at": lit[-1][1]} if lit else {}
        known = dict.fromkeys(("photoperiod_h", "photoperiod_low_h", "photoperiod_high_h"), hours)
        days.append(replace(day, lit=lit, **known, **ends))
    return replace(view, light_days=tuple(days))


def light_dead(x: Jitter) -> TankView:
    light = base(16).light
    assert light is not None
    now = NOON.replace(hour=16)
    dark = replace(light, lit=False, unchanged_since=now - timedelta(minutes=30 + 3 * x()))
    return replace(base(16), light=dark)


def light_long(x: Jitter) -> TankView:
    return lit_days(base(), off_min=45 + 4 * x())


def algae_light(x: Jitter) -> TankView:
    """Threads that rise; the plan is as long as the lamp, so that no other rule speaks."""
    view = lit_days(base(), off_min=30 + 4 * x())
    tank = replace(view.tank, light=replace(view.tank.light, photoperiod_h=9.0))
    levels = ((3, HOUR), (1, 7 * DAY))
    log = [entry(LogKind.OBSERVATION, NOON - ago, level=level) for level, ago in levels]
    seen = [replace(one, data={**one.data, "kind": "threads"}) for one in log]
    return replace(view, tank=tank, log=(*seen, *view.log))


def light_very_long(x: Jitter) -> TankView:
    return lit_days(base(), off_min=240 + 4 * x())


def light_short(x: Jitter) -> TankView:
    return lit_days(base(), off_min=-45 + 4 * x())


def light_shifted(x: Jitter) -> TankView:
    late = 45 + 4 * x()
    return lit_days(base(), on_min=late, off_min=late)


def _dli(view: TankView, dli: Callable[[], float]) -> TankView:
    doses = [dli() for _ in view.light_days]
    days = tuple(
        replace(day, dli_mol_m2_d=one, dli_high_mol_m2_d=one)
        for day, one in zip(view.light_days, doses, strict=True)
    )
    return replace(view, light_days=days)


def light_dose(x: Jitter) -> TankView:
    return _dli(base(), lambda: 5.0 * 1.15 + 0.15 * x())


def light_outruns_co2(x: Jitter) -> TankView:
    days = tuple(
        replace(day, dli_mol_m2_d=4.2, co2_known_share=1.0, co2_below_share=0.5 + 0.05 * x())
        for day in base().light_days
    )
    return replace(base(), light_days=days)


WALKS: dict[str, tuple[Walk, ...]] = {
    "light-dead": (light_dead,),
    "light-long": (
        light_long,
        light_very_long,
    ),
    "light-short": (light_short,),
    "light-shifted": (light_shifted,),
    "light-dose": (light_dose,),
    "light-outruns-co2": (light_outruns_co2,),
    "algae-light": (algae_light,),
}
