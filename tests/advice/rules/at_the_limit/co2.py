"""CO2 and its supply at the limits of their rules."""

from __future__ import annotations

from dataclasses import replace

from service.derive.models.co2 import Co2Check
from service.derive.models.co2_days import GasStart
from service.derive.models.gas_exchange import GasModel
from service.derive.models.quality import EstimatedValue
from service.derive.models.tank_view import TankView
from service.registry.models.log import LogKind
from service.registry.models.tank import Stock
from tests.advice.cases import DAY, HOUR, usual_log
from tests.advice.rules.at_the_limit.views import Jitter, Walk, base, days_with, with_tank
from tests.derive.pieces import NOON, a_tank, entry


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
    view = with_tank(a_tank(id="calm", animals=(stock,)))
    calm = replace(high, ceiling_mg_l=20.0, minutes=120 + 15 * x())
    return replace(view, co2_uncomfortable=calm, co2_high=replace(high, minutes=0.0))


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


def cylinder(x: Jitter) -> TankView:
    per_day = EstimatedValue(10.0 + 0.5 * x(), 8.0, 12.0)
    log = [entry(LogKind.CYLINDER, NOON - 18 * DAY, g=500.0), *usual_log()]
    return replace(base(), log=tuple(log), gas=GasModel(None, NOON, gas_g_per_day=per_day))


WALKS: dict[str, tuple[Walk, ...]] = {
    "co2-high": (co2_high,),
    "co2-comfort": (co2_comfort,),
    "gas-out": (
        gas_not_started,
        no_gas_all_day,
    ),
    "co2-low": (
        co2_low,
        co2_low_sure_or_not,
        co2_low_far_or_not,
    ),
    "gas-late": (gas_late,),
    "gas-early": (gas_early,),
    "gas-at-night": (
        gas_at_night,
        gas_at_night_high_or_not,
    ),
    "co2-unsteady": (co2_unsteady,),
    "co2-doubtful": (co2_doubtful,),
    "cylinder-low": (cylinder,),
}
