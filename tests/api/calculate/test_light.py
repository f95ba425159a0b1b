"""``POST /v1/calculate/light``: lux to photons, dose and depth."""

from __future__ import annotations

import pytest

from tests.api.calculate.conftest import q


def test_light(calculate):
    """DLI = PPFD * 3600 * h / 1e6; sunlight is 54 lx per umol/m2/s (Thimijan & Heins 1983)."""
    sun = calculate(
        "light",
        {"illuminance": q(5.4, "klx"), "source": "sunlight", "photoperiod": "PT10H"},
    )
    assert sun["ppfd"]["value"] == pytest.approx(100)
    assert sun["dli"] == q(pytest.approx(3.6), "mol/m2/d")
    deep = calculate("light", {"ppfd": q(100, "umol/m2/s"), "depth": q(40, "cm"), "attenuation": 1})
    assert deep["ppfd_at_depth"]["value"] == pytest.approx(100 * 0.98 * 2.718281828**-0.4, rel=1e-3)
    assert (deep["dli"], deep["umol_per_lux"]) == (None, None)


def test_factor_of_a_light_sensor(calculate):
    """Sunlight is 54 lx per umol/m2/s (Thimijan & Heins 1983): pairs of that ratio give 1/54."""
    pairs = [
        {"illuminance": q(54 * ppfd, "lx"), "ppfd": q(ppfd, "umol/m2/s")} for ppfd in (50, 100, 900)
    ]
    found = calculate("light-sensor", {"pairs": pairs})
    assert found["umol_per_lux"] == pytest.approx(1 / 54)
    # one meter's own error, 2.5 %, remains however well the pairs agree
    assert found["high"] / found["umol_per_lux"] == pytest.approx(2.718281828 ** (1.96 * 0.025))
    assert found["scatter"] == pytest.approx(0, abs=1e-9)
    assert calculate("light-sensor", {"pairs": pairs[:1]})["scatter"] is None


def test_attenuation_of_light(calculate):
    """Kirk 2011: 1 % of the surface light is left at a depth of 4.6 / K."""
    points = [
        {"depth": q(depth, "cm"), "ppfd": q(200 * 0.01 ** (depth / 460.5), "umol/m2/s")}
        for depth in (0, 100, 300)
    ]
    found = calculate("light-attenuation", {"points": points})
    assert found["attenuation"] == pytest.approx(1.0, abs=1e-3)
    assert found["surface"]["value"] == pytest.approx(200)
    assert found["low"] == pytest.approx(found["high"])
    assert calculate("light-attenuation", {"points": points[:2]})["low"] is None
