"""``POST /v1/calculate/electrode``: slope, state and pH from buffers."""

from __future__ import annotations

import pytest

from tests.api.calculate.conftest import q


def test_electrode(calculate):
    """Nernst: 59.159 mV per pH at 25 °C; technical buffers 7.00 and 4.01."""
    answer = calculate(
        "electrode",
        {
            "points": [
                {"buffer": "7.00", "reading": q(0, "mV")},
                {"buffer": "4.01", "reading": q(0.176885, "V")},
            ],
            "reading": q(59.159, "mV"),
        },
    )
    assert answer["nernst"] == pytest.approx(59.159, abs=1e-3)
    assert answer["slope"]["value"] == pytest.approx(100, abs=0.01)
    assert answer["ph"]["value"] == pytest.approx(6, abs=1e-3)
    assert (answer["state"], answer["reasons"]) == ("good", [])
    old = [{"buffer": "7.00", "reading": q(70, "mV")}, {"buffer": "4.01", "reading": q(180, "mV")}]
    assert calculate("electrode", {"points": old})["state"] == "replace"
