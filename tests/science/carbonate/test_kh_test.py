"""The alkalinity behind a KH test, against kits simulated drop by drop."""

from __future__ import annotations

from math import erf

import numpy as np
import pytest

from service.science.carbonate import co2
from service.science.carbonate.kh_methods import KhMethod
from service.science.carbonate.kh_test import MeasuredAlkalinity, after_mixing, alkalinity_of_test
from service.science.numeric.checks import OutOfRangeError
from service.science.numeric.coverage import coverage_factor
from service.science.water.hardness import MEQ_L_PER_DEGREE
from tests.science.simulated_kits import drops_until_the_colour_turns

DKH = MEQ_L_PER_DEGREE


def test_a_count_is_half_a_drop_less_give_or_take_half_a_drop() -> None:
    found = alkalinity_of_test(np.array([1.0, 4.0, 0.0]) * DKH)
    assert found.value_meq_l / DKH == pytest.approx([0.5, 3.5, 0.0])
    assert found.half_width_meq_l / DKH == pytest.approx([0.5, 0.5, 1.0])
    half_drops = alkalinity_of_test(3.5 * DKH, KhMethod.DROPS, 0.5 * DKH)
    assert half_drops.value_meq_l / DKH == pytest.approx(3.25)
    assert half_drops.half_width_meq_l / DKH == pytest.approx(0.25)


def test_what_is_no_whole_number_of_drops_was_not_counted() -> None:
    assert alkalinity_of_test(3.5 * DKH).value_meq_l == pytest.approx(3.5 * DKH)
    # 4 dKH as 71.4 mg/L CaCO3, rounded as people write it, was
    assert alkalinity_of_test(71.4 / 50.04).value_meq_l == pytest.approx(3.5 * DKH, rel=2e-3)


def test_a_syringe_and_a_strip_are_read_about_their_value() -> None:
    syringe = alkalinity_of_test(4 * DKH, KhMethod.TITRATION)
    assert syringe.value_meq_l == pytest.approx(4 * DKH)
    assert syringe.half_width_meq_l == pytest.approx(0.05 * DKH)
    strip = alkalinity_of_test(6 * DKH, KhMethod.STRIP)
    assert strip.value_meq_l == pytest.approx(6 * DKH)
    assert strip.half_width_meq_l == pytest.approx(1.5 * DKH)
    assert strip.sd_meq_l > syringe.sd_meq_l


def test_a_strip_that_shows_nothing_reaches_half_way_to_its_next_field() -> None:
    strip = alkalinity_of_test(0.0, KhMethod.STRIP)
    assert strip.value_meq_l == pytest.approx(0.75 * DKH)
    assert strip.half_width_meq_l == pytest.approx(0.75 * DKH)


def test_limits_stay_finite_where_nothing_is_known() -> None:
    """No alkalinity at pH 7: hydrogen and hydroxide cancel, and CO2 can't be told."""
    ph = np.linspace(6.99, 7.01, 201)
    found = co2.estimate_co2(ph, 0.0, 25.0)
    known = np.isfinite(found.value)
    assert known.any() and np.isfinite(found.high[known]).all()
    assert (found.low[known] <= found.value[known]).all()


def test_impossible_steps_are_named() -> None:
    with pytest.raises(OutOfRangeError, match="step_meq_l is 0; allowed: a number above 0 meq/L"):
        alkalinity_of_test(1.4, KhMethod.DROPS, 0.0)


@pytest.mark.parametrize(("low", "high"), [(1, 2), (2, 4), (4, 10)])
@pytest.mark.parametrize("step", [0.5, 1.0])
def test_the_middle_is_the_mean_of_simulated_kits(low: float, high: float, step: float) -> None:
    rng = np.random.default_rng(5)
    true = rng.uniform(low, high, 100_000)
    drop = step * (1 + rng.uniform(-0.05, 0.05, true.size))
    found = alkalinity_of_test(
        step * drops_until_the_colour_turns(true, drop) * DKH, KhMethod.DROPS, step * DKH
    )
    assert float(np.mean(found.value_meq_l / DKH - true)) == pytest.approx(0, abs=0.03)


@pytest.mark.parametrize(("low", "high"), [(0.01, 1), (1, 2), (2, 4), (4, 8), (8, 15)])
@pytest.mark.parametrize("probe_sd", [0.01, 0.032, 0.08])
def test_co2_by_a_counted_test_holds_the_truth_in_95_of_100(
    low: float, high: float, probe_sd: float
) -> None:
    """KH 2 to 4 read 23 % high, and the interval held the truth in 55 of 100."""
    rng = np.random.default_rng(int(10 * low + 1000 * probe_sd))
    true = rng.uniform(low, high, 20_000)
    drop = 1 + rng.uniform(-0.05, 0.05, true.size)
    counted = drops_until_the_colour_turns(true, drop)
    ph, celsius = rng.uniform(6, 7.2, true.size), rng.uniform(20, 28, true.size)
    ions = {"gh_meq_l": np.asarray(3.0), "conductivity_us_cm": 150 * true * DKH + 150}
    truth = co2.co2_mg_l(ph, true * DKH, celsius, **ions)
    kh = alkalinity_of_test(counted * DKH)
    found = co2.estimate_co2(
        ph + rng.normal(0, probe_sd, true.size),
        kh.value_meq_l,
        celsius,
        ph_sd=probe_sd,
        calibration_sd_ph=0,
        alkalinity_half_width_meq_l=kh.half_width_meq_l,
        alkalinity_sd_meq_l=kh.sd_meq_l,
        **ions,
    )
    held = float(np.mean((found.low <= truth) & (truth <= found.high)))
    assert 0.93 <= held <= 0.97
    if low >= 2:
        assert float(np.median(found.value / truth)) == pytest.approx(1, abs=0.02)


def test_coverage_factor_vs_exact_quantiles() -> None:
    """Rectangular and normal error together, whose distribution has a closed form.

    P(X <= x) = s / 2h ([z Phi(z) + phi(z)] between (x - h) / s and (x + h) / s).
    """

    def phi(z: float) -> float:
        return float(np.exp(-z * z / 2) / np.sqrt(2 * np.pi))

    def inner(z: float) -> float:
        return z * 0.5 * (1 + erf(z / np.sqrt(2))) + phi(z)

    for share in (0.05, 0.2, 0.5, 0.8, 0.95):
        half, sd = np.sqrt(3 * share), np.sqrt(1 - share)
        factor = float(coverage_factor(np.asarray(share), np.asarray(1.0)))
        held = sd / (2 * half) * (inner((factor + half) / sd) - inner((factor - half) / sd))
        assert held == pytest.approx(0.975, abs=4e-4)
    assert coverage_factor(np.asarray(1.0), np.asarray(1.0)) == pytest.approx(
        0.95 * np.sqrt(3), abs=5e-3
    )
    assert coverage_factor(np.asarray(0.0), np.asarray(0.0)) == pytest.approx(1.96, abs=1e-4)


def test_a_mixture_keeps_the_old_limits_in_their_share() -> None:
    """Halves of 2 (give or take 0.2) and 4 (give or take 0.3) against a simulation."""
    rng = np.random.default_rng(8)
    old = MeasuredAlkalinity(np.asarray(2.0), np.asarray(0.2), np.asarray(0.05))
    new = MeasuredAlkalinity(np.asarray(4.0), np.asarray(0.3), np.asarray(0.0))
    found = after_mixing(old, 0.5, new, 0.03)
    n = 200_000
    part = 0.5 + rng.normal(0, 0.03, n)
    simulated = (1 - part) * (2 + rng.uniform(-0.2, 0.2, n) + rng.normal(0, 0.05, n)) + part * (
        4 + rng.uniform(-0.3, 0.3, n)
    )
    total_sd = np.hypot(float(found.sd_meq_l), float(found.half_width_meq_l) / np.sqrt(3))
    assert found.value_meq_l == pytest.approx(3.0)
    assert found.half_width_meq_l == pytest.approx(0.1)
    assert total_sd == pytest.approx(simulated.std(), rel=0.01)
