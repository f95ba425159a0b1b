"""Lux to photons, and which of its arguments exclude each other."""

from __future__ import annotations

import pytest

from service.derive.calculations.light import (
    DepthReading,
    LightPair,
    light_attenuation,
    light_sensor,
    photons,
)
from service.science.numeric.checks import OutOfRangeError


@pytest.mark.parametrize(
    ("source", "lux_per_umol"),
    [("sunlight", 54), ("blue sky", 52), ("cool-white fluorescent", 74), ("incandescent", 50)],
)
def test_factor_of_a_source(source: str, lux_per_umol: float) -> None:
    """Lux per µmol/m²/s by Thimijan & Heins 1983, HortScience 18:818-822."""
    found = photons(illuminance_lux=100 * lux_per_umol, source=source)
    assert found.ppfd_umol_m2_s == pytest.approx(100)
    assert source in found.reasons[0]


def test_without_a_source_it_is_a_white_led_and_says_so() -> None:
    """CIE 15:2018: the phosphor LEDs B1 to B5 give 0.0140 to 0.0149 µmol/m²/s per lx."""
    found = photons(illuminance_lux=10_000)
    assert 140 < found.ppfd_umol_m2_s < 149
    assert "white LED" in found.reasons[0]


def test_own_factor_needs_no_source_and_a_photon_flux_neither() -> None:
    own = photons(illuminance_lux=10_000, umol_per_lux=0.02, photoperiod_h=5)
    assert (own.ppfd_umol_m2_s, own.umol_per_lux, own.reasons) == (200, 0.02, ())
    assert own.dli_mol_m2_d == pytest.approx(200 * 5 * 3600 / 1e6)
    measured = photons(ppfd_umol_m2_s=200, umol_per_lux=0.02)
    assert (measured.umol_per_lux, measured.dli_mol_m2_d) == (None, None)
    assert (measured.ppfd_at_depth_umol_m2_s, measured.dli_at_depth_mol_m2_d) == (None, None)


def test_depth_without_a_photoperiod_has_no_dose() -> None:
    """Beer-Lambert: exp(-K z) of what passes the surface, 98 % at normal incidence (Fresnel)."""
    found = photons(ppfd_umol_m2_s=100, depth_cm=50, attenuation_per_m=2)
    assert found.ppfd_at_depth_umol_m2_s == pytest.approx(98 * 2.718281828**-1, rel=1e-3)
    assert found.dli_at_depth_mol_m2_d is None


@pytest.mark.parametrize(
    ("given", "named"),
    [
        (
            {"illuminance_lux": 1, "umol_per_lux": 0.02, "source": "sunlight"},
            "umol_per_lux is 0.02",
        ),
        ({"ppfd_umol_m2_s": 1, "umol_per_lux": 0.02, "source": "sunlight"}, "umol_per_lux is 0.02"),
        ({"illuminance_lux": 1, "ppfd_umol_m2_s": 1}, "illuminance_lux is 1"),
        ({}, "illuminance_lux is None"),
    ],
)
def test_of_two_that_exclude_each_other_one_is_named(given: dict[str, object], named: str) -> None:
    with pytest.raises(OutOfRangeError, match=named):
        photons(**given)  # type: ignore[arg-type]


def test_an_attenuation_needs_two_depths() -> None:
    twice = [DepthReading(10, 100), DepthReading(10, 90)]
    with pytest.raises(OutOfRangeError, match="2 of one depth'; allowed: two depths or more"):
        light_attenuation(points=twice)
    assert light_attenuation(points=[*twice, DepthReading(60, 50)]).low_per_m is not None


def test_one_pair_gives_a_factor_without_scatter() -> None:
    found = light_sensor(pairs=[LightPair(5400, 100)])
    assert (found.umol_per_lux, found.scatter) == (pytest.approx(1 / 54), None)
