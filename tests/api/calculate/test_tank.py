"""``POST /v1/calculate/volume``: the water in a tank."""

from __future__ import annotations

import pytest

from tests.api.conftest import problem_of


def test_volume_of_a_usual_tank(client):
    """A 90 x 45 x 45 cm tank is about 180 L and 3 x 1.5 x 1.5 ft (common practice, no source)."""
    in_cm = {
        name: {"value": value, "unit": "cm"}
        for name, value in (("length", 90), ("width", 45), ("height", 45))
    }
    in_ft = {
        name: {"value": value, "unit": "ft"}
        for name, value in (("length", 3), ("width", 1.5), ("height", 1.5))
    }
    metric = client.post("/v1/calculate/volume", json=in_cm).get_json()
    imperial = client.post("/v1/calculate/volume", json=in_ft).get_json()
    assert metric["gross"] == {"value": pytest.approx(182.25), "unit": "L"}
    assert metric["net"] == {"value": pytest.approx(182.25), "unit": "L"}
    assert metric["displaced"]["value"] == pytest.approx(0)
    assert imperial["gross"]["value"] == pytest.approx(180, rel=0.07)


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"length": {"value": -90, "unit": "cm"}}, "/length/value"),
        ({"length": {"value": 0, "unit": "cm"}}, "/length/value"),
        ({"fill_height": {"value": 50, "unit": "cm"}}, "/fill_height"),
        ({"hardscape": {"value": 500, "unit": "L"}}, "/hardscape"),
        ({"substrate_porosity": 1.5}, "/substrate_porosity"),
    ],
)
def test_volume_refusals(client, change, pointer):
    question = {
        name: {"value": value, "unit": "cm"}
        for name, value in (("length", 90), ("width", 45), ("height", 45))
    }
    response = client.post("/v1/calculate/volume", json=question | change)
    body = problem_of(response, 422, "invalid-input")
    assert body["errors"][0]["pointer"] == pointer
