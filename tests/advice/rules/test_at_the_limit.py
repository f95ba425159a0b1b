"""Every rule at its limit with noise: it opens once and is published seldom.

What a rule judges jitters around the threshold from one evaluation to the next, every two minutes
for a day, as wide as sensors that work may.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from functools import cache
from typing import Any

import numpy as np
import pytest

from service.advice.engine.catalogue import RULE_OF, RULES
from service.advice.engine.history.change_events import change_between
from service.advice.engine.history.lifecycle import advance, may_last
from service.advice.engine.recommendation import Recommendation
from service.advice.engine.rule import Case
from service.advice.rules.heat.oxygen import saturation_mg_l
from service.derive.models.co2 import Co2Check
from service.derive.models.co2_days import GasStart
from service.derive.models.gas_exchange import GasModel
from service.derive.models.quality import EstimatedValue
from service.derive.models.tank_view import TankView
from service.derive.models.temperature import Forecast
from service.registry.models.log import LogKind
from service.registry.models.recommendations import State
from service.registry.models.tank import Stock, Tank
from service.science.temperature.excursions import Excursion
from service.store.model import Reading, SeriesInfo, SeriesKey
from service.times import to_us
from tests.advice.cases import DAY, HOUR, MINUTE, usual_log, view_with
from tests.advice.conditions import active_conditions
from tests.derive.pieces import NOON, a_tank, entry

STEP = 2 * MINUTE
STEPS = 720
MOST_OPENINGS, MOST_PUBLISHED = 2, 4
"""In a day; an opening is one of the publications, and so is each clearing."""

Jitter = Callable[[], float]
"""A normal random number of mean 0 and standard deviation 1."""
Walk = Callable[[Jitter], TankView]
_VIEWS: dict[str, TankView] = {}

BY_THE_LOG = {
    "shared-range", "no-advice", "sensor-clock", "light-settling", "water-change-after-work",
    "water-change-due", "dose-due", "dose-skipped", "dose-doubled", "dose-not-needed",
    "prefilter-due", "filter-due", "kh-test-due", "calibration-due", "trim-due",
    "sensor-stuck", "probe-out", "animals-gasping", "animals-lost", "leaves-hungry",
    "leaves-melting", "hydra", "plant-at-surface", "plant-covered",
}  # fmt: skip
"""Rules that judge the log, the plan or what the ingester decided: nothing in them jitters."""


@cache
def base(hour: int = 12) -> TankView:
    return view_with(now=NOON.replace(hour=hour))


def days_with(view: TankView, name: str, value: Callable[[], float]) -> TankView:
    """The same with a number of its days of CO2 replaced."""
    return replace(view, co2_days=tuple(replace(d, **{name: value()}) for d in view.co2_days))


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


def reading(quantity: str, value: float, sensor: str = "", ago_min: float = 1.0) -> Reading:
    time_us = to_us(NOON) - round(ago_min * 6e7)
    return Reading("reed", quantity, sensor or f"{quantity}-1", time_us, value)


def warm(view: TankView, celsius: float, **changes: Any) -> TankView:
    """The same with another temperature now."""
    now = replace(view.temperature, reading=reading("temperature", celsius), **changes)
    return replace(view, temperature=now)


def co2_high(x: Jitter) -> TankView:
    """At the ceiling by day: it is passed for some minutes, again and again."""
    high = base().co2_high
    assert high is not None
    over = x()
    return replace(
        base(),
        co2_high=replace(
            high, ceiling_mg_l=30.0, minutes=30 + 4 * x(), peak_mg_l=39 + 1.5 * x(),
            peak_low_mg_l=30 + 2 * x(), ongoing_min=max(15 + 10 * over, 0.0) if over > -1 else 0.0,
            first_at=NOON - 3 * HOUR, last_at=NOON - HOUR,
        ),
    )  # fmt: skip


def co2_comfort(x: Jitter) -> TankView:
    high = base().co2_high
    assert high is not None
    stock = Stock("Corydoras paleatus", 6, co2_max_mg_l=40.0, co2_comfortable_mg_l=20.0)
    view = _with_tank(a_tank(id="calm", animals=(stock,)))
    calm = replace(high, ceiling_mg_l=20.0, minutes=120 + 15 * x())
    return replace(view, co2_uncomfortable=calm, co2_high=replace(high, minutes=0.0))


def _with_tank(tank: Tank) -> TankView:
    if tank.id not in _VIEWS:
        _VIEWS[tank.id] = view_with(replace(tank, id="reed"))
    return _VIEWS[tank.id]


def oxygen(x: Jitter) -> TankView:
    value = reading("dissolved_oxygen", 5.0 + 0.1 * x())
    return replace(base(), latest={**base().latest, "dissolved_oxygen": value})


def oxygen_very_low(x: Jitter) -> TankView:
    value = reading("dissolved_oxygen", 3.0 + 0.1 * x())
    return replace(base(), latest={**base().latest, "dissolved_oxygen": value})


@cache
def limit_of_saturation_c() -> float:
    """The temperature at which water holds as much oxygen as the rule asks for."""
    case = Case(base())
    return next(c for c in np.arange(24.0, 40.0, 0.05) if saturation_mg_l(case, float(c)) < 7.6)


def oxygen_by_temperature(x: Jitter) -> TankView:
    return warm(base(), limit_of_saturation_c() + 0.1 * x())


def excursion(view: TankView, celsius: float, *, peak_c: float, tap_c: float = 15.0) -> TankView:
    plan = replace(view.tank.water_change, tap_temperature_c=tap_c)
    end_s = NOON.timestamp()
    one = Excursion(end_s - 7200, end_s, "above", 28.0, peak_c, 1.0, False, peak_s=end_s - 600)
    view = replace(view, tank=replace(view.tank, water_change=plan), excursions=(one,))
    return warm(view, celsius)


def temperature_out(x: Jitter) -> TankView:
    return excursion(base(), 28.0 + 0.1 * x(), peak_c=28.6)


def temperature_far_out(x: Jitter) -> TankView:
    return excursion(base(), 30.0 + 0.1 * x(), peak_c=30.3)


def temperature_coming(x: Jitter) -> TankView:
    at_s = NOON.timestamp() + 3600 * (2 + 0.5 * x())
    coming = Forecast("above", 28.0, at_s, at_s - 3600, at_s + 3600, 0.8 + 0.1 * x())
    return warm(base(), 27.5, rate_k_h=0.25, forecast=coming)


def temperature_coming_late(x: Jitter) -> TankView:
    at_s = NOON.timestamp() + 3600 * (6 + 0.5 * x())
    coming = Forecast("above", 28.0, at_s, at_s - 3600, at_s + 3600, 0.95)
    return warm(base(), 27.5, rate_k_h=0.25, forecast=coming)


def temperature_fast(x: Jitter) -> TankView:
    return warm(base(), 25.0, rate_k_h=1.0 + 0.15 * x())


def temperature_very_fast(x: Jitter) -> TankView:
    return warm(base(), 25.0, rate_k_h=2.0 + 0.15 * x())


def temperature_comfort(x: Jitter) -> TankView:
    stock = Stock(
        "Corydoras paleatus", 6, temperature_low_c=20.0, temperature_high_c=30.0,
        comfortable_low_c=22.0, comfortable_high_c=25.0,
    )  # fmt: skip
    view = _with_tank(a_tank(id="warm", animals=(stock,)))
    end_s = NOON.timestamp()
    length_s = 12 * 3600 + 1800 * x()
    one = Excursion(end_s - length_s, end_s, "above", 25.0, 25.3, 1.0, False, peak_s=end_s)
    return warm(replace(view, discomforts=(one,)), 25.0 + 0.1 * x())


def temperature_cooling(x: Jitter) -> TankView:
    view = _with_tank(a_tank(id="cool", heated=False))
    minima = tuple(24.0 - 0.11 * day + 0.02 * x() for day in range(9))
    return replace(view, daily_minima_c=(*minima[:-1], 23.0 + 0.1 * x()))


def gas_not_started(x: Jitter) -> TankView:
    start = GasStart(NOON - HOUR, 8.0, 0.25 * 16 + 0.6 * x(), 16.0, 5)
    return replace(base(), gas_start=start)


def no_gas_all_day(x: Jitter) -> TankView:
    return days_with(base(), "peak_mg_l", lambda: 8.0 + 0.5 * x())


def _lit(x: Jitter, **changes: float) -> TankView:
    lit = base(16).co2_lit
    assert lit is not None
    usual = {
        "early_below_min": 0.0, "tail_below_min": 0.0, "shortfall_mg_l": 5.0,
        "last_hour_below_share": 1.0, "surely_below_share": 1.0, "highest_mg_l": 18.0,
    }  # fmt: skip
    return replace(base(16), co2_lit=replace(lit, **{**usual, **changes}))


def co2_low(x: Jitter) -> TankView:
    return _lit(x, below_min=60 + 10 * x())


def co2_low_sure_or_not(x: Jitter) -> TankView:
    return _lit(x, below_min=200.0, surely_below_share=0.5 * 200 / 480 + 0.05 * x())


def co2_low_far_or_not(x: Jitter) -> TankView:
    return _lit(x, below_min=300.0, shortfall_mg_l=4.0 + 0.4 * x())


def gas_late(x: Jitter) -> TankView:
    return days_with(base(16), "reached_min", lambda: 30 + 6 * x())


def gas_early(x: Jitter) -> TankView:
    return days_with(base(16), "reached_min", lambda: -90 + 8 * x())


def gas_at_night(x: Jitter) -> TankView:
    night = {"dusk_mg_l": 24.0, "night_h": 12.0}
    days = tuple(
        replace(d, **night, night_low_mg_l=24.0 * (0.75 + 0.02 * x())) for d in base(16).co2_days
    )
    return replace(base(16), co2_days=days)


def gas_at_night_high_or_not(x: Jitter) -> TankView:
    days = tuple(
        replace(d, dusk_mg_l=26.0, night_h=12.0, night_low_mg_l=24.0 + 0.3 * x())
        for d in base(16).co2_days
    )
    return replace(base(16), co2_days=days)


def co2_unsteady(x: Jitter) -> TankView:
    means = iter([20.0, 24.0 + 0.3 * x()] * 6)
    return days_with(base(16), "mean_lit_mg_l", lambda: next(means))


def co2_doubtful(x: Jitter) -> TankView:
    apart = x() > 0
    reason = "KH may be wrong" if apart else ""
    found = EstimatedValue(14.0, 10.0, 18.0)
    check = Co2Check(found, (), not apart, found, NOON - 2 * DAY, int(apart), reason)
    return replace(base(), co2_check=check)


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


def cylinder(x: Jitter) -> TankView:
    per_day = EstimatedValue(10.0 + 0.5 * x(), 8.0, 12.0)
    log = [entry(LogKind.CYLINDER, NOON - 18 * DAY, g=500.0), *usual_log()]
    return replace(base(), log=tuple(log), gas=GasModel(None, NOON, gas_g_per_day=per_day))


def _with_sensor(one: Reading) -> TankView:
    key = SeriesKey("reed", one.quantity, one.sensor)
    return replace(base(), sensors=(*base().sensors, SeriesInfo(key, one)))


def sensor_silent(x: Jitter) -> TankView:
    """It sends about as often as it would count as silent."""
    return _with_sensor(reading("temperature", 24.0, "slow", 60 + 5 * x()))


def sensor_hourly(x: Jitter) -> TankView:
    """It sends each hour, or a little later."""
    ago = np.random.default_rng(int(1e6 * abs(x()))).uniform(0, 66)
    return _with_sensor(reading("temperature", 24.0, "slow", ago))


def sensors_disagree(x: Jitter) -> TankView:
    own = base().latest["temperature"].value
    return _with_sensor(reading("temperature", own + 0.8 + 0.1 * x(), "b"))


WALKS: dict[str, tuple[Walk, ...]] = {
    "co2-high": (co2_high,),
    "co2-comfort": (co2_comfort,),
    "oxygen-low": (oxygen, oxygen_very_low, oxygen_by_temperature),
    "temperature-out": (temperature_out, temperature_far_out),
    "temperature-coming": (temperature_coming, temperature_coming_late),
    "temperature-fast": (temperature_fast, temperature_very_fast),
    "temperature-comfort": (temperature_comfort,),
    "temperature-cooling": (temperature_cooling,),
    "gas-out": (gas_not_started, no_gas_all_day),
    "co2-low": (co2_low, co2_low_sure_or_not, co2_low_far_or_not),
    "gas-late": (gas_late,),
    "gas-early": (gas_early,),
    "gas-at-night": (gas_at_night, gas_at_night_high_or_not),
    "co2-unsteady": (co2_unsteady,),
    "co2-doubtful": (co2_doubtful,),
    "light-dead": (light_dead,),
    "light-long": (light_long, light_very_long),
    "light-short": (light_short,),
    "light-shifted": (light_shifted,),
    "light-dose": (light_dose,),
    "light-outruns-co2": (light_outruns_co2,),
    "algae-light": (algae_light,),
    "cylinder-low": (cylinder,),
    "sensor-silent": (sensor_silent, sensor_hourly),
    "sensors-disagree": (sensors_disagree,),
}


def walked(code: str, walk: Walk, seed: int = 1) -> Counter[str]:
    """How often a rule's recommendations were opened, changed and cleared in a day."""
    rng = np.random.default_rng(seed)
    rule = RULE_OF[code]
    known: list[Recommendation] = []
    cleared: list[Recommendation] = []
    counted: Counter[str] = Counter()
    for step in range(STEPS):
        now = NOON + step * STEP
        view = walk(lambda: float(rng.standard_normal()))
        findings = list(rule.findings(Case(view, active_conditions(known))))
        change = change_between(known, advance(known, "reed", findings, now, (), cleared))
        counted.update(event.kind.value for event in change.events)
        known = [one for one in change.after if may_last(one)]
        cleared += [one for one in change.after if one.state is State.CLEARED]
    return counted


def walks() -> Iterator[Any]:
    for code, some in WALKS.items():
        for walk in some:
            yield pytest.param(code, walk, id=f"{code}-{walk.__name__}")


@pytest.mark.parametrize(("code", "walk"), list(walks()))
def test_a_rule_at_its_limit_opens_once_and_is_published_seldom(code: str, walk: Walk) -> None:
    counted = walked(code, walk)
    assert counted["opened"] >= 1, "the walk does not reach the limit"
    assert counted["opened"] <= MOST_OPENINGS, counted
    assert counted.total() <= MOST_PUBLISHED, counted


def test_every_rule_is_walked_or_judges_nothing_that_jitters() -> None:
    codes = {rule.code for rule in RULES}
    assert codes - set(WALKS) - BY_THE_LOG - {"sensor-implausible"} == set()
