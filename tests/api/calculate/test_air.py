"""Gases and ammonia of a water over HTTP, against published values."""

from __future__ import annotations

import pytest

from tests.api.calculate.conftest import q


def test_gases_and_ammonia(calculate):
    """APHA 4500-O / Benson & Krause 1984: 8.263 mg/L O2 at 25 °C; Emerson et al. 1975: 5.366 %."""
    gases = calculate("gases", {"temperature": q(77, "degF")})
    assert gases["oxygen"]["value"] == pytest.approx(8.263, abs=2e-3)
    # Weiss 1974, 420 ppm: 0.610 mg/L at 25 °C
    assert gases["co2_outdoors"]["value"] == pytest.approx(0.610, abs=3e-3)
    high = calculate("gases", {"temperature": q(25, "Cel"), "altitude": q(1, "km")})
    assert high["oxygen"]["value"] < 7.5
    ammonia = calculate("ammonia", {"total": q(1, "mg/L"), "ph": 8.0, "temperature": q(25, "Cel")})
    assert ammonia["fraction"]["value"] == pytest.approx(5.366, abs=0.01)
