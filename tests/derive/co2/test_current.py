"""CO2 now and over time."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from service.derive.co2.alkalinity import alkalinity_in_force
from service.derive.co2.current import co2_at, co2_now
from service.derive.co2.series import co2_over
from service.derive.co2.target import Target, target_of
from service.derive.models import Co2Now, Co2State, Quality
from service.registry.models import LogKind, Tank
from service.science.water.hardness import MEQ_L_PER_DEGREE
from service.store.model import Reading, Samples
from service.times import from_us, to_us
from tests.derive.pieces import (
    KH_4,
    NOON,
    a_tank,
    days_of,
    entry,
    gassed,
    grid,
    inputs_with,
    ph_of,
    samples,
)

MINUTE = timedelta(minutes=1)
TARGET = Target(20.0, 30.0)


def reading(quantity: str, value: float, minutes_ago: float) -> Reading:
    return Reading("reed", quantity, "one", to_us(NOON - minutes_ago * MINUTE), value)


def now(tank: Tank, ph: Reading | None, temperature: Reading | None, **other: object) -> Co2Now:
    alkalinity = alkalinity_in_force(tank, [], NOON)
    return co2_at(
        tank,
        NOON,
        target=TARGET,
        alkalinity=alkalinity,
        ph=ph,
        temperature=temperature,
        **other,  # type: ignore[arg-type]
    )


def test_golden_value_of_phreeqc() -> None:
    """PHREEQC, KHCO3 water, 25 °C, 4 dKH, pH 6.8: 21.4413 mg/L CO2 (phreeqc.dat)."""
    found = now(
        a_tank(), reading("ph", 6.8, 1), reading("temperature", 25.0, 2), calibrated_days_ago=3.0
    )
    assert found.co2 is not None
    assert found.co2.value == pytest.approx(21.4413, rel=2e-3)
    assert found.co2.low < 21.4 < found.co2.high
    assert found.state is Co2State.WITHIN
    assert found.quality is Quality.GOOD
    assert found.time == NOON - 2 * MINUTE


@pytest.mark.parametrize(
    ("ph", "state"), [(7.2, Co2State.BELOW), (6.75, Co2State.WITHIN), (6.4, Co2State.ABOVE)]
)
def test_state_against_target(ph: float, state: Co2State) -> None:
    found = now(a_tank(), reading("ph", ph, 1), reading("temperature", 24.0, 1))
    assert found.state is state


def test_old_ph_gives_no_number() -> None:
    found = now(a_tank(), reading("ph", 6.8, 31), reading("temperature", 24.0, 1))
    assert found.co2 is None
    assert found.state is Co2State.UNKNOWN
    assert found.quality is Quality.STALE
    patient = a_tank(thresholds={"stale_ph_min": 60.0})
    assert now(patient, reading("ph", 6.8, 31), reading("temperature", 24.0, 1)).co2 is not None


def test_no_alkalinity_gives_no_number_and_says_what_to_do() -> None:
    found = now(a_tank(kh_meq_l=None), reading("ph", 6.8, 1), reading("temperature", 24.0, 1))
    assert found.co2 is None
    assert found.state is Co2State.UNKNOWN
    assert "log a KH test" in found.reasons[0]


def test_without_temperature_one_is_assumed_with_a_wider_interval() -> None:
    known = now(a_tank(), reading("ph", 6.8, 1), reading("temperature", 24.0, 1))
    for far in (None, reading("temperature", 30.0, 400)):
        assumed = now(a_tank(), reading("ph", 6.8, 1), far)
        assert known.co2 is not None and assumed.co2 is not None
        assert assumed.co2.value == pytest.approx(known.co2.value)
        assert assumed.co2.high > known.co2.high
        assert assumed.temperature is None
        assert assumed.quality is Quality.SUSPECT
        assert any("temperature is assumed as 24" in reason for reason in assumed.reasons)


def test_old_kh_test_makes_it_suspect() -> None:
    log = [entry(LogKind.KH_TEST, NOON - timedelta(days=45), kh_meq_l=KH_4)]
    alkalinity = alkalinity_in_force(a_tank(), log, NOON)
    found = co2_at(
        a_tank(), NOON, target=TARGET, alkalinity=alkalinity, ph=reading("ph", 6.8, 1),
        temperature=reading("temperature", 24.0, 1),
    )  # fmt: skip
    assert found.quality is Quality.SUSPECT
    assert "the KH test is 45 days old" in found.reasons[0]


def test_interval_grows_with_the_age_of_the_calibration() -> None:
    widths = []
    for days in (1.0, 30.0, 90.0, None):
        found = now(
            a_tank(),
            reading("ph", 6.8, 1),
            reading("temperature", 24.0, 1),
            calibrated_days_ago=days,
        )
        assert found.co2 is not None
        widths.append(found.co2.high / found.co2.low)
    assert widths[0] < widths[1] < widths[3] < widths[2]


def test_the_trades_rule_is_told_beside_it() -> None:
    found = now(a_tank(), reading("ph", 7.0, 1), reading("temperature", 24.0, 1))
    assert any("would say 12.0 mg/L" in reason for reason in found.reasons)  # 3 * 4 * 10^0


def test_target_is_capped_by_the_livestock_and_open_below_without_gas() -> None:
    assert target_of(a_tank(), 25.0) == Target(20.0, 25.0)
    assert target_of(a_tank(), 15.0) == Target(15.0, 15.0)
    assert target_of(a_tank(co2_injected=False), None) == Target(0.0, 30.0)


def test_series_gives_back_the_co2_it_was_made_from() -> None:
    series = days_of(days=2)
    found = co2_over(a_tank(), [], series["ph"], series["temperature"], Samples.empty())
    assert found.value == pytest.approx(gassed(series["ph"].time_us), rel=1e-6)
    assert (found.low < found.value).all() and (found.value < found.high).all()


def test_series_interpolates_temperature_and_widens_where_it_is_missing() -> None:
    time_us = grid(NOON, NOON + timedelta(hours=12))
    warm = 22.0 + (time_us - time_us[0]) / 3.6e9 * 0.5
    ph = samples(time_us, ph_of(np.full(time_us.shape, 25.0), celsius=warm))
    hourly = slice(None, None, 12)
    sparse = samples(time_us[hourly], warm[hourly])
    found = co2_over(a_tank(), [], ph, sparse, Samples.empty())
    assert found.value == pytest.approx(np.full(time_us.shape, 25.0), rel=1e-6)
    broken = Samples(
        *(np.delete(part, slice(4, 9)) for part in (sparse.time_us, sparse.value, sparse.flags))
    )
    gappy = co2_over(a_tank(), [], ph, broken, Samples.empty())
    within = (time_us > broken.time_us[3]) & (time_us < broken.time_us[4])
    ratio = gappy.high / gappy.low
    assert ratio[within].min() > ratio[~within].max()


def test_series_uses_the_conductivity_of_each_moment_as_far_as_it_is_known() -> None:
    ph = samples(grid(NOON, NOON + timedelta(days=4)), 6.8)
    nothing = Samples.empty()
    plain = co2_over(a_tank(), [], ph, nothing, nothing).value
    one_us = to_us(NOON + timedelta(days=1))
    measured = samples(np.array([one_us, one_us + 12 * 3_600_000_000]), np.array([300.0, 1500.0]))
    found = co2_over(a_tank(), [], ph, nothing, measured).value
    ends = (
        one_us - 86_400_000_000,
        one_us,
        one_us + 6 * 3_600_000_000,
        one_us + 36 * 3_600_000_000,
    )
    at = np.searchsorted(ph.time_us, ends)
    for index, us_cm in zip(at.tolist(), (300.0, 300.0, 900.0, 1500.0), strict=True):
        steady = samples(ph.time_us[index : index + 1], us_cm)
        alone = samples(ph.time_us[index : index + 1], 6.8)
        assert found[index] == co2_over(a_tank(), [], alone, nothing, steady).value[0]
    np.testing.assert_array_equal(found[at[-1] + 1 :], plain[at[-1] + 1 :])
    assert (found[: at[-1] + 1] != plain[: at[-1] + 1]).all()


def test_series_is_unknown_before_the_first_kh_test() -> None:
    tank = a_tank(kh_meq_l=None)
    log = [entry(LogKind.KH_TEST, NOON - timedelta(hours=6), kh_meq_l=2 * MEQ_L_PER_DEGREE)]
    series = days_of(days=1)
    found = co2_over(tank, log, series["ph"], series["temperature"], Samples.empty())
    before = found.time_us < to_us(log[0].time)
    assert np.isnan(found.value[before]).all()
    assert not np.isnan(found.value[~before]).any()


def test_inputs_pair_and_reports_time_of_the_older_reading() -> None:
    found = co2_now(inputs_with(a_tank(), NOON, days_of(days=1)))
    assert found.co2 is not None
    assert found.co2.value == pytest.approx(float(gassed(grid(NOON, NOON))[0]), rel=1e-6)
    assert found.time == from_us(to_us(NOON))
