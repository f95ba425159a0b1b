"""KH, CO2 and pH after a change, against PHREEQC's own mixing of two solutions."""

from __future__ import annotations

import numpy as np
import phreeqpython
import pytest

from service.science.carbonate.co2 import co2_mg_l
from service.science.water.carbonate import water_after_change
from service.science.water.hardness import dkh_from_meq_l, meq_l_from_dkh

PHREEQC = phreeqpython.PhreeqPython()
MMOL_CO2_MG = 44.009


def khco3_water(ph, kh_dkh, temperature_c):
    """KHCO3 water of a KH, its carbon set by the pH (phreeqc.dat)."""
    alkalinity = float(meq_l_from_dkh(kh_dkh))
    return PHREEQC.add_solution(
        {
            "units": "mmol/kgw",
            "temp": temperature_c,
            "pH": ph,
            "K": f"{alkalinity} charge",
            "Alkalinity": alkalinity,
        }
    )


@pytest.mark.parametrize(
    ("tank", "new", "fraction"),
    [
        ((6.6, 4.0, 24.0), (7.6, 8.0, 24.0), 0.5),
        ((6.6, 4.0, 25.0), (8.0, 12.0, 15.0), 0.5),
        ((6.4, 2.0, 23.0), (7.2, 1.0, 23.0), 0.8),
        ((7.0, 6.0, 26.0), (6.8, 3.0, 20.0), 0.3),
        ((8.2, 5.0, 22.0), (6.5, 10.0, 22.0), 0.6),
    ],
)
def test_mixture_vs_phreeqc(tank, new, fraction):
    ours = water_after_change(
        tank[0],
        meq_l_from_dkh(tank[1]),
        tank[2],
        new_ph=new[0],
        new_alkalinity_meq_l=meq_l_from_dkh(new[1]),
        new_temperature_c=new[2],
        fraction=fraction,
    )
    theirs = PHREEQC.mix_solutions({khco3_water(*tank): 1 - fraction, khco3_water(*new): fraction})
    assert ours.ph == pytest.approx(theirs.pH, abs=2e-3)
    assert ours.co2_mg_l == pytest.approx(theirs.species["CO2"] * 1e3 * MMOL_CO2_MG, rel=5e-3)
    assert ours.temperature_c == pytest.approx(theirs.temperature, abs=0.02)


def test_whole_change_is_the_new_water_and_none_the_old():
    waters = {"new_ph": 7.5, "new_alkalinity_meq_l": 2.0, "new_temperature_c": 20}
    whole = water_after_change(6.5, 1.0, 25, fraction=1.0, **waters)
    assert whole.ph == pytest.approx(7.5, abs=1e-9)
    none = water_after_change(6.5, 1.0, 25, fraction=0.0, **waters)
    assert none.ph == pytest.approx(6.5, abs=1e-9)
    assert none.co2_mg_l == pytest.approx(co2_mg_l(6.5, 1.0, 25), rel=1e-9)


def test_half_a_change_halves_the_co2_of_aerated_water():
    # Below pH 7.5 nearly all free CO2 mixes in proportion: 30 mg/L with 1 mg/L gives some 16.
    after = water_after_change(
        6.6,
        meq_l_from_dkh(4),
        24,
        new_ph=7.9,
        new_alkalinity_meq_l=meq_l_from_dkh(4),
        new_temperature_c=24,
        fraction=0.5,
    )
    assert dkh_from_meq_l(after.alkalinity_meq_l) == pytest.approx(4)
    before = co2_mg_l(6.6, meq_l_from_dkh(4), 24)
    assert after.co2_mg_l == pytest.approx(before / 2, rel=0.08)
    assert 6.8 < after.ph < 7.0


def test_hardness_of_both_or_none():
    waters = {"new_ph": 7.5, "new_alkalinity_meq_l": 2.0, "new_temperature_c": 20, "fraction": 0.5}
    hard = water_after_change(6.5, 1.0, 25, gh_meq_l=2.0, new_gh_meq_l=4.0, **waters)
    assert hard.gh_meq_l == 3.0
    assert hard.co2_mg_l == pytest.approx(
        water_after_change(6.5, 1.0, 25, **waters).co2_mg_l, rel=0.08
    )
    with pytest.raises(ValueError, match=r"^new_gh_meq_l is None; allowed: the GH of both"):
        water_after_change(6.5, 1.0, 25, gh_meq_l=2.0, **waters)


def test_arrays_and_missing_values():
    after = water_after_change(
        [6.5, np.nan],
        1.0,
        25,
        new_ph=7.5,
        new_alkalinity_meq_l=2.0,
        new_temperature_c=20,
        fraction=0.5,
    )
    assert np.isnan(after.ph).tolist() == [False, True]
    with pytest.raises(ValueError, match="new_temperature_c is 60; allowed: 0 to 50 °C"):
        water_after_change(
            6.5, 1, 25, new_ph=7, new_alkalinity_meq_l=1, new_temperature_c=60, fraction=0.5
        )
