"""The pH-drop estimate and its reconciliation with the one by KH."""

from __future__ import annotations

import numpy as np
import pytest

from service.science.carbonate import co2
from service.science.carbonate.ph_drop import (
    disagreement_reason,
    estimate_co2_from_ph_drop,
    reconcile,
)
from service.science.numeric.estimate import Estimate


def test_ph_drop_is_the_ratio_rule_in_soft_acid_water() -> None:
    """CO2 ratio = 10^dpH; at this alkalinity (0.3 meq/L) hydrogen ions add 0.4 %."""
    found = estimate_co2_from_ph_drop(6.0, 25, 7.0, reference_co2_mg_l=3.0)
    assert found.value == pytest.approx(30.0, rel=0.005)


def test_ph_drop_recovers_co2_of_phreeqc_water(phreeqc) -> None:
    """PHREEQC: the same KHCO3 water in air (10^-3.222 atm, 600 ppm) and at pH 6.6, 25 °C."""
    water = phreeqc.add_solution(
        {"units": "mmol/kgw", "temp": 25, "pH": 6.6, "K": 1.4, "Alkalinity": 1.4}
    )
    truth = water.species["CO2"] * 44009
    aerated = phreeqc.add_solution(
        {
            "units": "mmol/kgw",
            "temp": 25,
            "pH": "8 charge",
            "K": 1.4,
            "C(4)": "1.4 CO2(g) -3.2355",
        }
    )
    reference_co2, reference_ph = aerated.species["CO2"] * 44009, aerated.pH
    water.forget()
    aerated.forget()
    found = estimate_co2_from_ph_drop(6.6, 25, reference_ph, reference_co2_mg_l=reference_co2)
    assert found.value == pytest.approx(truth, rel=0.002)
    # the default reference: air of a room at 600 ppm, Weiss 1974 against PHREEQC's Henry
    assumed = estimate_co2_from_ph_drop(6.6, 25, reference_ph)
    assert assumed.value == pytest.approx(truth, rel=0.03)


def test_interval_vs_monte_carlo() -> None:
    rng = np.random.default_rng(8)
    n = 100_000
    offset = rng.normal(0, 0.2, n)  # an electrode's offset cancels
    slope = 1 + rng.normal(0, 0.015, n)
    true_ph, true_reference = 6.6, 7.9

    def read(ph: float) -> np.ndarray:
        # slope pivots at pH 7
        return 7 + (ph - 7) * slope + rng.normal(0, 0.02, n) + offset

    air = 0.87 * np.exp(rng.normal(0, 0.2, n))
    sampled = air * 10 ** (read(true_reference) - read(true_ph))
    low, high = np.quantile(sampled, [0.025, 0.975])
    ours = estimate_co2_from_ph_drop(true_ph, 25, true_reference, reference_co2_mg_l=0.87)
    assert ours.high / ours.low == pytest.approx(high / low, rel=0.03)


def _estimate(value: float, factor: float) -> Estimate:
    return Estimate(np.float64(value), np.float64(value / factor), np.float64(value * factor))


def test_agreeing_estimates_are_weighted() -> None:
    both = reconcile(_estimate(30, 1.2), _estimate(33, 1.5))
    assert both.disagreement == 0
    assert 30 < both.estimate.value < 31.5  # nearer to the narrower one
    assert both.estimate.high / both.estimate.value == pytest.approx(1.2)
    assert disagreement_reason(int(both.disagreement), float(both.log_ratio)) is None


def test_stale_kh_is_a_reason() -> None:
    both = reconcile(_estimate(40, 1.2), _estimate(15, 1.4))
    assert both.disagreement == 1
    assert both.estimate.low < 15 / 1.39
    assert both.estimate.high > 40 * 1.19
    reason = disagreement_reason(int(both.disagreement), float(both.log_ratio))
    assert reason is not None
    assert "2.7 times" in reason
    assert "KH test is stale" in reason
    other_way = reconcile(_estimate(15, 1.2), _estimate(40, 1.4))
    assert other_way.disagreement == -1
    assert "pH drop is 2.7 times" in (disagreement_reason(-1, float(other_way.log_ratio)) or "")


def test_identical_estimates_agree_and_missing_stay_missing() -> None:
    same = reconcile(_estimate(30, 1.2), _estimate(30, 1.2))
    assert same.estimate.value == pytest.approx(30)
    gone = estimate_co2_from_ph_drop(np.nan, 25, 7.5)
    assert np.isnan(gone.value)
    together = co2.estimate_co2(6.6, 1.4, 25)
    assert reconcile(together, gone).disagreement == 0
    with pytest.raises(ValueError, match="reference_ph is 14; allowed"):
        estimate_co2_from_ph_drop(6.6, 25, 14)
