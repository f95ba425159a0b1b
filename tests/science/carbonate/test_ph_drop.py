"""The pH-drop estimate and what a disagreement with the one by KH means."""

from __future__ import annotations

import numpy as np
import pytest

from service.science.carbonate.ph_drop import disagreement_reason, estimate_co2_from_ph_drop


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


def test_at_an_altitude_water_in_air_holds_less() -> None:
    """2,200 m: 0.766 atm (ICAO standard atmosphere), so CO2 in air-equilibrated water, and with it
    CO2 by the pH drop, is 23 to 24 % less than at sea level (Henry's law; moist air)."""
    at_sea, high_up = (
        float(estimate_co2_from_ph_drop(6.6, 25, 7.9, pressure_atm=one).value)
        for one in (1.0, 0.766)
    )
    assert high_up / at_sea == pytest.approx(0.76, abs=0.01)


def test_a_disagreement_has_its_usual_reason() -> None:
    assert disagreement_reason(0, 0.3) is None
    stale = disagreement_reason(1, float(np.log(40 / 15))) or ""
    assert "2.7 times" in stale and "since its test" in stale
    assert "pH drop is 2.7 times" in (disagreement_reason(-1, float(np.log(15 / 40))) or "")


def test_missing_stays_missing() -> None:
    gone = estimate_co2_from_ph_drop(np.nan, 25, 7.5)
    assert np.isnan(gone.value)
    with pytest.raises(ValueError, match="reference_ph is 14; allowed"):
        estimate_co2_from_ph_drop(6.6, 25, 14)
