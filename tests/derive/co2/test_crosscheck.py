"""CO2 by the pH drop against an aerated sample."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from service.derive.co2.crosscheck import co2_check_of
from service.derive.co2.narrowing import narrowing_of
from service.derive.gas_exchange import gas_exchange
from service.derive.models.gas_exchange import GasModel
from service.derive.models.tank_view import TankView
from service.derive.tank_view import tank_view
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import KhKit
from service.science.carbonate.co2 import ph_for_co2
from service.science.carbonate.kh_methods import KhMethod
from service.science.gas_exchange.air_water import (
    CO2_PPM_ROOM,
    co2_air_equilibrium_mg_l,
    pressure_atm_from_altitude,
)
from tests.derive.pieces import (
    KH_4,
    NOON,
    a_tank,
    days_of,
    entry,
    gassed,
    grid,
    inputs_with,
)

DAY = timedelta(days=1)


def view_at(now: datetime, log: tuple = (), tank=None, **of_days: object) -> TankView:
    series = days_of(now, **of_days)  # type: ignore[arg-type]
    return tank_view(inputs_with(tank or a_tank(), now, series, log))


def test_an_aerated_sample_gives_away_a_wrong_kh() -> None:
    """Water of 2 dKH taken for 4 dKH: CO2 by KH is twice that by the pH drop."""
    true_meq_l = KH_4 / 2
    air = float(co2_air_equilibrium_mg_l(24.0, co2_ppm=CO2_PPM_ROOM))
    aerated = float(ph_for_co2(air, true_meq_l, 24.0))
    # a probe that was not calibrated lately may itself be off by a factor of two of CO2
    log = (
        entry(LogKind.OBSERVATION, NOON - DAY, aerated_ph=aerated),
        entry(LogKind.CALIBRATION, NOON - 2 * DAY, quantity="ph"),
    )
    check = view_at(NOON, log, meq_l=true_meq_l).co2_check
    assert check is not None
    assert check.disagreement == 1
    assert check.by_drop is not None
    assert check.by_drop.value == pytest.approx(float(gassed(grid(NOON, NOON))[0]), rel=0.01)
    assert "since its test" in check.reason
    right = view_at(NOON, log, tank=a_tank(kh_meq_l=true_meq_l), meq_l=true_meq_l).co2_check
    assert right is not None and right.disagreement == 0 and right.reason == ""
    old = (entry(LogKind.OBSERVATION, NOON - 40 * DAY, aerated_ph=aerated),)
    stale = view_at(NOON, old).co2_check
    assert stale is not None and stale.by_drop is None


def aerated_ph(meq_l: float, altitude_m: float = 0.0) -> float:
    """The pH of such water in equilibrium with the room's air."""
    air = co2_air_equilibrium_mg_l(
        24.0, co2_ppm=CO2_PPM_ROOM, pressure_atm=float(pressure_atm_from_altitude(altitude_m))
    )
    return float(ph_for_co2(float(air), meq_l, 24.0))


def truth() -> float:
    return float(gassed(grid(NOON, NOON))[0])


def sample(days: float, ph: float) -> LogEntry:
    return entry(LogKind.OBSERVATION, NOON - days * DAY, aerated_ph=ph)


def test_a_sample_at_an_altitude() -> None:
    """At 2,200 m aerated water holds 24 % less CO2; taken for sea level CO2 reads 30 % high."""
    log = (sample(1, aerated_ph(KH_4, 2200.0)),)
    check = view_at(NOON, log, tank=a_tank(altitude_m=2200.0)).co2_check
    assert check is not None and check.by_drop is not None
    assert check.by_drop.value == pytest.approx(truth(), rel=0.02)


def test_a_water_change_since_the_sample_is_worked_in() -> None:
    """Half of water of 8 dKH replaced by tap water of 0 dKH leaves 4 dKH."""
    change = entry(LogKind.WATER_CHANGE, NOON - DAY, fraction=0.5, kh_meq_l=0.0)
    log = (change, sample(2, aerated_ph(2 * KH_4)))
    check = view_at(NOON, log).co2_check
    assert check is not None and check.by_drop is not None
    assert check.by_drop.value == pytest.approx(truth(), rel=0.02)
    untouched = view_at(NOON, (sample(2, aerated_ph(KH_4)),)).co2_check
    assert untouched is not None and untouched.by_drop is not None
    assert check.by_drop.high / check.by_drop.low > untouched.by_drop.high / untouched.by_drop.low


@pytest.mark.parametrize(
    ("since", "why"),
    [
        (entry(LogKind.WATER_CHANGE, NOON - DAY, fraction=0.5), "water was changed"),
        (
            entry(LogKind.WATER_CHANGE, NOON - DAY, fraction=0.8, kh_meq_l=KH_4),
            "most of the water was changed",
        ),
        (entry(LogKind.CALIBRATION, NOON - DAY, quantity="ph"), "pH probe was calibrated"),
        (entry(LogKind.CALIBRATION, NOON - DAY), "pH probe was calibrated"),
        (entry(LogKind.BUFFER, NOON - DAY, salt="NaHCO3", g=3.0), "KH was raised"),
    ],
)
def test_what_ends_a_sample(since: LogEntry, why: str) -> None:
    check = view_at(NOON, (since, sample(2, aerated_ph(KH_4)))).co2_check
    assert check is not None
    assert check.by_drop is None and check.disagreement == 0
    assert why in check.why_no_sample and "repeat the sample" in check.why_no_sample


def test_another_probe_calibrated_since_does_not_end_a_sample() -> None:
    since = entry(LogKind.CALIBRATION, NOON - DAY, quantity="conductivity")
    check = view_at(NOON, (since, sample(2, aerated_ph(KH_4)))).co2_check
    assert check is not None and check.by_drop is not None


def test_weighing_narrows_and_says_what_would_narrow_most() -> None:
    """A probe that was never calibrated: the sample, in which its offset cancels, helps most."""
    alone = view_at(NOON).co2_check
    assert alone is not None and alone.by_drop is None
    assert [name for name, _ in alone.methods] == ["pH and KH"]
    narrowing = narrowing_of(a_tank(), view_at(NOON).co2, alone)
    assert narrowing is not None
    assert narrowing.percent_then < 0.9 * narrowing.percent_now
    both = view_at(NOON, (sample(1, aerated_ph(KH_4)),)).co2_check
    assert both is not None and both.agree
    ratio = both.weighed.high / both.weighed.low
    assert ratio < 0.95 * alone.weighed.high / alone.weighed.low
    assert both.weighed.low < truth() < both.weighed.high


def test_a_kh_test_carried_through_changes_is_to_be_repeated() -> None:
    """The deed is computed from the errors: after many changes KH is what is known worst."""
    changes = tuple(
        entry(LogKind.WATER_CHANGE, NOON - (day + 1) * DAY, fraction=0.5, kh_meq_l=KH_4)
        for day in range(12)
    )
    log = (
        *changes,
        entry(LogKind.CALIBRATION, NOON - DAY / 2, quantity="ph"),
        entry(LogKind.KH_TEST, NOON - 14 * DAY, kh_meq_l=KH_4),
    )
    tank = a_tank(kh_kit=KhKit(method=KhMethod.TITRATION))
    view = view_at(NOON, log, tank=tank)
    narrowing = narrowing_of(tank, view.co2, view.co2_check)
    assert narrowing is not None
    assert narrowing.what == "test KH again"
    assert narrowing.sentence.startswith("Test KH again: the interval goes from ±")


def test_gas_use_is_an_estimate_of_its_own() -> None:
    """A cylinder that lost what the fitted injection takes, at 70 % dissolved, agrees with KH; one
    that lost four times as much does not."""
    gas = fitted_gas()
    assert gas.fit is not None and gas.fit.injection_mg_l_h is not None
    per_day = float(gas.fit.injection_mg_l_h.value) * 180.0 * 9.0 / 1000.0 / 0.7
    for times, agree in ((1.0, True), (4.0, False)):
        log = tuple(
            entry(LogKind.CYLINDER, NOON - days * DAY, g=times * per_day * 40) for days in (1, 41)
        )
        view = view_at(NOON, log)
        check = co2_check_of(view.tank, view.log, view.co2, NOON, gas)
        assert check is not None
        assert [name for name, _ in check.methods] == ["pH and KH", "gas use"]
        by_use = check.methods[1][1]
        assert by_use.value == pytest.approx(times * truth(), rel=0.01)
        assert check.agree is agree
        if not agree:
            assert check.weighed.low <= truth() and check.weighed.high >= by_use.high - 1e-9


def fitted_gas() -> GasModel:
    """Of a tank that changes nothing from day to day."""
    model = gas_exchange(inputs_with(a_tank(), NOON, days_of(NOON, days=10), (), days=10))
    assert model.lead_h is not None
    return model


def test_a_probe_that_is_said_to_have_no_error_is_not_to_be_calibrated() -> None:
    """Both thresholds may be 0: then calibrating narrows nothing, and is no error."""
    exact = {"ph_calibration_sd": 0.0, "ph_drift_per_month": 0.0}
    view = view_at(NOON, tank=a_tank(thresholds=exact))
    assert view.co2_check is not None
    narrowing = narrowing_of(view.tank, view.co2, view.co2_check)
    assert narrowing is None or narrowing.what != "calibrate the pH probe"
