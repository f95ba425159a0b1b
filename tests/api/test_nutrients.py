"""Nutrients over HTTP, from the client, on the command line and on the page."""

from __future__ import annotations

import json
import re
from datetime import timedelta

import pytest

from service.client import Client
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import put
from tests.cli.conftest import littoral  # noqa: F401 - fixtures used here too
from tests.over_http import look, url  # noqa: F401 - fixtures used here too

URL = "/v1/tanks/riffle/nutrients"
DOSES = [
    {
        "name": "macro",
        "volume_per_100_l": {"value": 10, "unit": "mL"},
        "salts": [{"substance": "KNO3", "mass": {"value": 50, "unit": "g"}}],
        "bottle": {"value": 500, "unit": "mL"},
    }
]


@pytest.fixture
def tested(client):
    """A tank with a plan that says what is dosed, and two tests of nitrate."""
    put(client, doses=DOSES, net_volume={"value": 180, "unit": "L"})
    for days, level in ((15, 20), (1, 12)):
        at = (NOW - timedelta(days=days)).isoformat()
        body = {"kind": "nutrient-test", "data": {"no3": {"value": level, "unit": "mg/L"}}}
        assert client.post("/v1/tanks/riffle/log", json=body | {"time": at}).status_code == 201
    return client


def test_golden_shape(tested):
    answer = tested.get(f"{URL}?back=10d&ahead=2d").get_json()
    assert list(answer) == ["tank", "time", "nutrients", "reasons"]
    assert [one["ion"] for one in answer["nutrients"]] == ["NO3", "PO4", "K", "Fe"]
    nitrate, phosphate, *_ = answer["nutrients"]
    assert list(nitrate) == [
        "ion", "level", "uptake", "uptake_from", "tap_from", "tests", "ceiling", "points",
    ]  # fmt: skip
    assert nitrate["level"]["low"] < 12 < nitrate["level"]["high"] < 25
    assert (nitrate["tests"], phosphate["tests"]) == (2, 0)
    assert nitrate["ceiling"]["value"] == pytest.approx(44.27, abs=0.01)
    assert nitrate["uptake"]["unit"] == "mg/L/d"
    assert len(nitrate["points"]) == 10 * 4 + 1 + 2 * 4
    assert list(nitrate["points"][0]) == ["time", "value", "low", "high"]
    assert "no source" in phosphate["uptake_from"]


def test_a_fertiliser_that_nobody_described_is_a_reason(client):
    put(client)
    data = {"name": "other", "volume": {"value": 5, "unit": "mL"}}
    assert (
        client.post("/v1/tanks/riffle/log", json={"kind": "dose", "data": data}).status_code < 300
    )
    (reason,) = client.get(URL).get_json()["reasons"]
    assert "what is in other" in reason


def test_what_cannot_be_asked(client):
    problem_of(client.get("/v1/tanks/none/nutrients"), 404, "not-found")
    put(client)
    problem_of(client.get(f"{URL}?back=1000d"), 422, "invalid-input")


def test_the_client_and_the_command_have_them(tested, littoral, url):  # noqa: F811
    found = Client(url).nutrients("riffle", ahead="7d")
    assert found.nutrients[0].ion == "NO3" and found.nutrients[0].points[-1].low >= 0
    done = littoral("nutrients", "riffle", "--url", url)
    assert done.code == 0, done.err
    assert re.search(r"^NO3 +\d+ +\S+ to \S+ +\S+ +\S+ to \S+ +2$", done.out, re.MULTILINE)
    answer = json.loads(littoral("nutrients", "riffle", "--json", "--url", url).out)
    assert [one["ion"] for one in answer["nutrients"]] == ["NO3", "PO4", "K", "Fe"]
