"""The fit on tanks whose exchange and injection are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.gas_exchange.changes import FitError
from service.science.gas_exchange.fit import GasExchangeFit, fit_gas_exchange
from service.science.gas_exchange.phases import binned
from tests.science.closed_form import co2_after
from tests.science.gas_regimes import REGIMES, trials
from tests.science.tank_model import HOUR, START_S, Electrode, Run, Tank, run


def _fit(made: Run, *, schedule: bool = False, lamp: bool = True, **options) -> GasExchangeFit:
    return fit_gas_exchange(
        made.time_s,
        made.co2_mg_l,
        made.temperature_c,
        gas_on_s=made.gas_on_s if schedule else None,
        lit=made.lit if lamp else None,
        **options,
    )


TANKS = [
    Tank(k20_per_h=0.15, injection_mg_l_h=6.0, every_s=300),
    Tank(k20_per_h=0.25, injection_mg_l_h=9.0, every_s=300),
    Tank(k20_per_h=0.5, injection_mg_l_h=18.0, every_s=300),
    Tank(k20_per_h=1.0, injection_mg_l_h=30.0, every_s=300),
]


@pytest.mark.parametrize("tank", TANKS, ids=lambda tank: f"k{tank.k20_per_h}")
@pytest.mark.parametrize("knows", ["schedule and lamp", "lamp", "nothing"])
def test_recovers_a_noisy_week_within_ten_percent(tank: Tank, knows: str) -> None:
    """pH noise 0.015 white and 0.01 slow, spikes, 2 % lost, three 3-hour gaps; mean of 4 weeks
    within 5 %, each within 10 %."""
    rates, gains = [], []
    for seed in range(4):
        found = _fit(
            run(tank, Electrode(), seed), schedule="schedule" in knows, lamp="lamp" in knows
        )
        assert found.injection_mg_l_h is not None
        rates.append(float(found.k20_per_h.value) / tank.k20_per_h)
        gains.append(float(found.injection_mg_l_h.value) / tank.injection_mg_l_h)
    for ratios in (rates, gains):
        assert max(ratios) < 1.10
        assert min(ratios) > 0.90
        assert np.mean(ratios) == pytest.approx(1.0, abs=0.05)


def test_a_fortnight_of_a_still_tank_within_ten_percent() -> None:
    """k = 0.1/h (half-life 7 h): its nights hardly reach the floor, so a week is too short."""
    tank = Tank(k20_per_h=0.1, injection_mg_l_h=4.0, every_s=300, days=14)
    for seed in range(3):
        found = _fit(run(tank, Electrode(), seed))
        assert found.injection_mg_l_h is not None
        assert found.k20_per_h.value == pytest.approx(0.1, rel=0.10)
        assert found.injection_mg_l_h.value == pytest.approx(4.0, rel=0.10)


@pytest.mark.slow
def test_intervals_hold_the_truth() -> None:
    """95 % intervals of k over 60 noisy weeks hold it in at least 88 % (binomial, 1 in 100)."""
    tank = Tank(k20_per_h=0.2, injection_mg_l_h=8.0, every_s=300)
    inside, widths = 0, []
    for seed in range(60):
        interval = _fit(run(tank, Electrode(), seed)).k20_per_h
        inside += bool(interval.low <= tank.k20_per_h <= interval.high)
        widths.append(float(interval.high / interval.low))
    assert inside >= 53
    assert np.median(widths) < 1.20  # and they are not merely wide


def test_clock_change_moves_the_gas_not_the_answer() -> None:
    """Times are UTC: from day 1 on the timer runs an hour earlier (29 March 2026, Europe)."""
    tank = Tank(clock_change_day=1, every_s=300)
    found = _fit(run(tank, Electrode(), 1), lamp=False)
    assert found.k20_per_h.value == pytest.approx(tank.k20_per_h, rel=0.08)
    assert found.nights >= 6


def test_outliers_and_a_stuck_night_are_outvoted() -> None:
    made = run(Tank(every_s=300), Electrode(spike_share=0.03), 2)
    co2 = made.co2_mg_l.copy()
    stuck = (made.time_s > START_S + 66 * HOUR) & (made.time_s < START_S + 69 * HOUR)
    co2[stuck] = co2[stuck][0]
    found = fit_gas_exchange(made.time_s, co2, made.temperature_c, lit=made.lit)
    assert found.injection_mg_l_h is not None
    assert found.k20_per_h.value == pytest.approx(0.25, rel=0.10)
    assert found.injection_mg_l_h.value == pytest.approx(9.0, rel=0.10)


def test_spikes_that_cluster_at_the_night_floor() -> None:
    """Three spikes within an hour make the lowest point of the night; the rise is elsewhere."""
    made = run(Tank(k20_per_h=1.0, injection_mg_l_h=30.0, every_s=300), Electrode(), 53)
    found = _fit(made)
    assert found.injection_mg_l_h is not None
    assert found.k20_per_h.value == pytest.approx(1.0, rel=0.05)
    assert found.injection_mg_l_h.value == pytest.approx(30.0, rel=0.05)


def test_night_excess_and_counts() -> None:
    tank = Tank(k20_per_h=0.5, injection_mg_l_h=18.0, respiration_mg_l_h=0.6, every_s=300)
    found = _fit(run(tank, Electrode(), 3), schedule=True)
    # respiration / k at about 24 °C
    assert found.night_excess_mg_l == pytest.approx(0.6 / (0.5 * 1.024**4), abs=0.15)
    assert found.source == "schedule"
    assert 6 <= found.nights <= 10  # a gap splits a night in two
    assert 0.01 < found.scatter_ln < 0.06


def _clean(k20: float, injection: float, nights: int, celsius: float) -> tuple:
    """Days of the closed form: gas from hour 6 to 16, air at 0.9 mg/L."""
    k, air = k20 * 1.024 ** (celsius - 20), 0.9
    time_s, co2, start = [], [], 2.0
    for day in range(nights):
        for begin, length, rate in ((0, 6, 0.0), (6, 10, injection), (16, 8, 0.0)):
            hours = np.arange(0, length, 1 / 12)
            time_s.append(START_S + (day * 24 + begin + hours) * HOUR)
            co2.append(co2_after(start, hours, k, rate, air))
            start = float(co2_after(start, length, k, rate, air))
    return np.concatenate(time_s), np.concatenate(co2)


@settings(max_examples=25, deadline=None)
@given(
    k20=st.floats(0.1, 1.2),
    level=st.floats(15, 45),
    celsius=st.floats(20, 28),
    seed=st.integers(0, 2**32 - 1),
)
def test_exact_series_gives_exact_rates_in_any_order(
    k20: float, level: float, celsius: float, seed: int
) -> None:
    injection = level * k20 * 1.024 ** (celsius - 20)
    time_s, co2 = _clean(k20, injection, 4, celsius)
    order = np.random.default_rng(seed).permutation(time_s.size)
    found = fit_gas_exchange(time_s[order], co2[order], celsius)
    assert found.injection_mg_l_h is not None
    assert found.k20_per_h.value == pytest.approx(k20, rel=0.03)
    assert found.injection_mg_l_h.value == pytest.approx(injection, rel=0.03)
    assert found.k20_per_h.low < k20 < found.k20_per_h.high


@settings(max_examples=15, deadline=None)
@given(factor=st.floats(0.7, 1.5), shift_h=st.integers(-5000, 5000))
def test_level_error_scales_injection_and_leaves_k(factor: float, shift_h: int) -> None:
    """A wrong KH multiplies CO2: injection follows, k does not (but for the air's small part)."""
    time_s, co2 = _clean(0.3, 10.0, 4, 24)
    plain = fit_gas_exchange(time_s, co2, 24)
    scaled = fit_gas_exchange(time_s + shift_h * HOUR, co2 * factor, 24)
    assert plain.injection_mg_l_h is not None
    assert scaled.injection_mg_l_h is not None
    assert scaled.k20_per_h.value == pytest.approx(float(plain.k20_per_h.value), rel=0.01)
    assert scaled.injection_mg_l_h.value == pytest.approx(
        factor * float(plain.injection_mg_l_h.value), rel=0.02
    )


def test_what_is_no_measurement_is_left_out() -> None:
    """No CO2 at all (nothing has that), no CO2 known, no temperature, no time."""
    series = binned(
        np.array([0.0, 60.0, 120.0, 180.0, np.nan]),
        np.array([10.0, 0.0, np.nan, 30.0, 30.0]),
        np.array([24.0, 24.0, 24.0, np.nan, 24.0]),
    )
    assert (series.time_s.tolist(), series.co2_mg_l.tolist()) == ([0.0], [10.0])


def test_what_is_missing_is_named() -> None:
    hours = np.arange(0, 72, 0.1)
    with pytest.raises(FitError, match="no night with CO2 off"):
        fit_gas_exchange(START_S + hours * HOUR, np.full(hours.size, 20.0), 24)
    with pytest.raises(FitError, match="no night with CO2 off"):
        fit_gas_exchange([], [], 24)
    falling = 20.0 - hours * 0.01
    with pytest.raises(FitError, match=r"falls by more than a factor of 1\.35"):
        fit_gas_exchange(
            START_S + hours * HOUR,
            falling,
            24,
            gas_on_s=[(START_S, START_S + 10 * HOUR)],
        )
    with pytest.raises(ValueError, match=r"gas_on_s is \(2, 1\); allowed: .*off after on"):
        fit_gas_exchange([0.0], [1.0], 24, gas_on_s=[(2, 1)])
    with pytest.raises(ValueError, match=r"co2_mg_l is .*; allowed: the shape of time_s"):
        fit_gas_exchange([0.0, 1.0], [1.0], 24)


def test_one_night_without_a_rise_gives_k_alone() -> None:
    hours = np.arange(0, 9, 0.1)
    co2 = co2_after(25.0, hours, 0.3, 0.0, 0.9)
    found = fit_gas_exchange(
        START_S + hours * HOUR, co2, 20, gas_on_s=[(START_S - 8 * HOUR, START_S)]
    )
    assert found.injection_mg_l_h is None
    assert found.k20_per_h.value == pytest.approx(0.3, rel=0.03)


@pytest.mark.parametrize(
    ("regime", "seed", "expected"),
    [
        ("air stone, lamp off", 62, (0.8062324121093154, 1.396919405723043, 8.64826188295202)),
        ("valve closed by a third", 60, (0.285947513836725, 0.350419849249619, 3.26014598598186)),
        ("lamp not known", 56, (0.677278880459636, 0.833866644253793, 22.6888579427169)),
    ],
)
def test_a_faster_way_finds_the_same(
    regime: str, seed: int, expected: tuple[float, float, float]
) -> None:
    """To rounding, what systems of equations that LAPACK solved one by one had found."""
    (one,) = trials(next(r for r in REGIMES if r.name == regime), count=1, seed=seed)
    assert one.fit is not None and one.fit.injection_mg_l_h is not None
    k20 = one.fit.k20_per_h
    found = (k20.value, k20.high, one.fit.injection_mg_l_h.value)
    assert [float(value) for value in found] == pytest.approx(expected, rel=1e-9)
