"""Old water for plants, by FAO 29 table 1 and the trade's practice."""

from __future__ import annotations

import pytest

from service.science.water.reuse import reuse_for_plants


def test_fresh_water_is_fit():
    # Common practice, no source: old tank water is fit for house plants and the garden.
    reuse = reuse_for_plants(90, salt_added=False, medicated=False, conductivity_us_cm=350)
    assert (reuse.verdict, reuse.litres, reuse.rainwater_l) == ("fit", 90, 0)
    assert any("raw" in reason for reason in reuse.reasons)


@pytest.mark.parametrize(
    ("salt", "medication", "word"),
    [(True, False, "salt"), (False, True, "medication"), (True, True, "salt and medication")],
)
def test_salt_and_medication_are_not_for_plants(salt, medication, word):
    reuse = reuse_for_plants(90, salt_added=salt, medicated=medication, conductivity_us_cm=300)
    assert (reuse.verdict, reuse.litres) == ("unfit", 0)
    assert word in reuse.reasons[0]


@pytest.mark.parametrize(
    ("conductivity", "verdict", "rainwater"),
    [
        (700, "fit", 0),
        (1400, "dilute", 90),
        (3000, "dilute", 90 * (3000 / 700 - 1)),
        (3001, "unfit", 0),
    ],
)
def test_conductivity_vs_fao_29(conductivity, verdict, rainwater):
    # None below 0.7 dS/m, slight to moderate to 3.0, severe above.
    reuse = reuse_for_plants(90, salt_added=False, medicated=False, conductivity_us_cm=conductivity)
    assert reuse.verdict == verdict
    assert reuse.rainwater_l == pytest.approx(rainwater, abs=1e-3)


def test_what_is_not_measured_is_said():
    reuse = reuse_for_plants(90, salt_added=False, medicated=False)
    assert any("not measured" in reason for reason in reuse.reasons)


def test_hard_and_rich_water_is_told():
    reuse = reuse_for_plants(
        90, salt_added=False, medicated=False, alkalinity_meq_l=3.0, no3_mg_l=30
    )
    assert any("spray" in reason for reason in reuse.reasons)
    assert any("fertiliser" in reason for reason in reuse.reasons)


def test_negative_litres():
    with pytest.raises(ValueError, match="litres is -1; allowed"):
        reuse_for_plants(-1, salt_added=False, medicated=False)
