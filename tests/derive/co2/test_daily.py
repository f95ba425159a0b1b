"""CO2 around the light of each day, the second estimate, and which light CO2 is judged by."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from service.derive.co2.lit import co2_above
from service.derive.light_plan import judged_light, planned_lit
from service.derive.models import Co2Series, TankView
from service.derive.tank_view import tank_view
from service.derive.temperature import daily_minima
from service.registry.models import LogKind, PhotoperiodPlan
from service.science.carbonate.co2 import ph_for_co2
from service.science.gas_exchange.air_water import CO2_PPM_ROOM, co2_air_equilibrium_mg_l
from service.store.model import Samples
from tests.derive.pieces import (
    KH_4,
    NOON,
    a_tank,
    days_of,
    entry,
    gassed,
    grid,
    inputs_with,
    samples,
)

DAY = timedelta(days=1)
EVENING = NOON.replace(hour=22)


def view_at(now: datetime, log: tuple = (), tank=None, **of_days: object) -> TankView:
    series = days_of(now, **of_days)  # type: ignore[arg-type]
    return tank_view(inputs_with(tank or a_tank(), now, series, log))


def test_a_day_by_hand() -> None:
    """Gas from 8 to 17, lamp from 10 to 18: 3 + 23 (1 - exp(-1.5 t)) and its fall by 0.5/h."""
    day = view_at(EVENING).co2_days[-1]
    assert day.at_on_mg_l == pytest.approx(3 + 23 * (1 - np.exp(-3)), abs=0.3)
    reached_h = np.log(23 / 6) / 1.5  # 20 mg/L after gas-on
    assert day.reached_min == pytest.approx(-(2 - reached_h) * 60, abs=5)
    assert day.peak_mg_l == pytest.approx(26.0, abs=0.1)
    assert abs(day.night_from - datetime(2026, 3, 10, 18, tzinfo=UTC)) < timedelta(minutes=1)
    yesterday = view_at(EVENING).co2_days[-2]
    assert yesterday.dusk_mg_l == pytest.approx(3 + 23 * np.exp(-0.5), abs=0.5)
    assert yesterday.night_low_mg_l == pytest.approx(3.0, abs=0.1)


def test_an_unknown_morning_tells_nothing_of_when_target_was_reached() -> None:
    series = days_of(EVENING)
    hour = series["ph"].time_us / 3.6e9 % 24
    kept = (hour < 6) | (hour > 12)
    ph = Samples(
        *(part[kept] for part in (series["ph"].time_us, series["ph"].value, series["ph"].flags))
    )
    view = tank_view(inputs_with(a_tank(), EVENING, {**series, "ph": ph}))
    assert view.co2_days[-1].reached_min is None
    assert view.co2_lit is not None and view.co2_lit.early_below_min == 0


def test_a_night_ends_with_the_gas_where_that_is_later_than_the_lamp() -> None:
    tank = a_tank(
        photoperiod=PhotoperiodPlan(
            gas_on=NOON.replace(hour=8).time(), gas_off=NOON.replace(hour=20).time()
        )
    )
    day = view_at(EVENING, tank=tank, co2=lambda t: gassed(t, off=20.0)).co2_days[-1]
    assert day.night_from == datetime(2026, 3, 10, 20, tzinfo=UTC)


def test_spells_above_a_ceiling_by_hand() -> None:
    """A triangle to 40 mg/L over a ceiling of 30: above for half of its width."""
    time_us = grid(NOON - timedelta(hours=4), NOON, 1)
    hours = (time_us - time_us[0]) / 3.6e9
    value = 40 - 10 * np.abs(hours - 2)
    series = Co2Series(time_us, value, value * 0.8, value * 1.2)
    found = co2_above(series, 30.0, 28.5, NOON - DAY, NOON)
    assert found is not None
    assert found.minutes == pytest.approx(120)
    assert found.ongoing_min == 0
    assert found.peak_mg_l == pytest.approx(40.0, abs=0.3)
    assert found.peak_low_mg_l == pytest.approx(32.0, abs=0.3)
    assert found.first_at == NOON - timedelta(hours=3)
    cut = Co2Series(*(part[:121] for part in (time_us, value, value, value)))
    ongoing = co2_above(cut, 30.0, 28.5, NOON - DAY, NOON)
    assert ongoing is not None and ongoing.ongoing_min == pytest.approx(60)


def test_light_beyond_the_plan_is_not_the_gas_s_fault() -> None:
    span = ((NOON - 4 * timedelta(hours=1), NOON + 8 * timedelta(hours=1)),)
    late = NOON + 9 * timedelta(hours=1)
    assert judged_light(a_tank(), span, [], late) == (
        (NOON - timedelta(hours=2), NOON + timedelta(hours=6)),
    )
    night = ((NOON + 8 * timedelta(hours=1), NOON + 14 * timedelta(hours=1)),)
    assert judged_light(a_tank(), night, [], NOON + DAY) == night  # the plan is not the tank's


def test_three_hours_after_a_water_change_do_not_count() -> None:
    span = ((NOON - timedelta(hours=2), NOON + timedelta(hours=6)),)
    change = entry(LogKind.WATER_CHANGE, NOON, fraction=0.5)
    assert judged_light(a_tank(), span, [change], NOON + timedelta(hours=9)) == (
        (NOON - timedelta(hours=2), NOON),
        (NOON + timedelta(hours=3), NOON + timedelta(hours=6)),
    )


def test_without_a_light_sensor_the_plan_counts() -> None:
    series = days_of(EVENING, co2=lambda t: gassed(t, high=14.0))
    del series["illuminance"]
    view = tank_view(inputs_with(a_tank(), EVENING, series))
    assert view.co2_lit is not None and view.co2_lit.lit_from == "plan"
    assert view.co2_lit.below_min == pytest.approx(480, abs=5)
    assert planned_lit(a_tank(), NOON.date(), NOON) == ((NOON - timedelta(hours=2), NOON),)


def test_an_aerated_sample_gives_away_a_wrong_kh() -> None:
    """Water of 2 dKH taken for 4 dKH: CO2 by KH is twice that by the pH drop."""
    true_meq_l = KH_4 / 2
    air = float(co2_air_equilibrium_mg_l(24.0, co2_ppm=CO2_PPM_ROOM))
    aerated = float(ph_for_co2(air, true_meq_l, 24.0))
    log = (entry(LogKind.OBSERVATION, NOON - DAY, aerated_ph=aerated),)
    check = view_at(NOON, log, meq_l=true_meq_l).co2_check
    assert check is not None
    assert check.disagreement == 1
    assert check.by_drop.value == pytest.approx(float(gassed(grid(NOON, NOON))[0]), rel=0.01)
    assert "KH test is stale" in check.reason
    right = view_at(NOON, log, tank=a_tank(kh_meq_l=true_meq_l), meq_l=true_meq_l).co2_check
    assert right is not None and right.disagreement == 0 and right.reason == ""
    old = (entry(LogKind.OBSERVATION, NOON - 40 * DAY, aerated_ph=aerated),)
    assert view_at(NOON, old).co2_check is None


def test_daily_minima_stop_at_a_day_without_readings() -> None:
    time_us = grid(NOON - 5 * DAY + timedelta(hours=1), NOON, 60)
    falling = samples(time_us, 25.0 - (time_us - time_us[0]) / 8.64e10)
    assert daily_minima(falling, NOON) == pytest.approx((24.0, 23.0, 22.0, 21.0, 20.0), abs=0.1)
    kept = falling.time_us > time_us[-1] - 1.5 * 8.64e10
    late = Samples(falling.time_us[kept], falling.value[kept], falling.flags[kept])
    assert len(daily_minima(late, NOON)) == 2


def test_the_hours_after_stocking_have_a_lower_ceiling() -> None:
    log = (entry(LogKind.STOCKING, NOON - DAY, species="Otocinclus vittatus", count=6),)
    new = view_at(NOON, log).co2_high
    assert new is not None and new.newcomers
    assert new.ceiling_mg_l == pytest.approx(24.0)  # 0.8 of 30
    later = view_at(NOON + 2 * DAY, log).co2_high
    assert later is not None and not later.newcomers and later.ceiling_mg_l == 30.0
    left = (entry(LogKind.STOCKING, NOON - DAY, species="Otocinclus vittatus", count=-6),)
    gone = view_at(NOON, left).co2_high
    assert gone is not None and not gone.newcomers
