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
