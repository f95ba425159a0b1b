"""``littoral advice`` and ``log``, asking the real application over real HTTP."""

from __future__ import annotations

import json

import pytest

from service.cli.terminal import sparkline
from tests.api.scenes import day_of_readings, put
from tests.cli.conftest import process, refused


@pytest.fixture
def warm(client, context, look):
    tolerated = {"low": 18, "high": 22, "unit": "Cel"}
    put(client, livestock=[{"species": "Invented", "temperature": tolerated}])
    day_of_readings(context.store)
    look()


def advice(littoral, url, *more):
    return littoral("advice", *more, "--url", url)


def test_advice_is_listed_and_marked(littoral, url, warm):
    listed = advice(littoral, url, "riffle")
    assert listed.code == 0
    assert listed.out.startswith("riffle: ")
    found = json.loads(advice(littoral, url, "--json").out)["recommendations"]
    first, second = [one["id"] for one in found][:2]
    assert f"id {first}" in listed.out
    assert advice(littoral, url, "--done", first).out.endswith(": now done\n")
    assert advice(littoral, url, "--snooze", second, "--for", "2d").out.endswith(": now snoozed\n")
    told = advice(littoral, url, "--dismiss", second, "--json")
    assert json.loads(told.out)["state"] == "dismissed"
    left = [one["id"] for one in json.loads(advice(littoral, url, "--json").out)["recommendations"]]
    assert not {first, second} & set(left)


def test_advice_refusals(littoral, url, warm):
    refused(advice(littoral, url, "none"), "'none'")
    refused(advice(littoral, url, "--done", "none"), "none", "404")
    refused(advice(littoral, url, "--done", "a", "--dismiss", "b"), "exclude")
    refused(advice(littoral, url, "--done", "a", "--for", "2d"), "--snooze")
    refused(advice(littoral, url, "riffle", "--done", "a"), "ID")
    refused(advice(littoral, url, "--snooze", "a", "--until", "soon"), "'soon'", "2025-06-04T18:00")


@pytest.mark.parametrize(
    ("arguments", "data"),
    [
        (["water-change", "--fraction", "50"], {"fraction": {"value": 0.5, "unit": "1"}}),
        (["dose", "--name", "Nitrogen", "--volume", "12"], {"name": "Nitrogen"}),
        (["kh-test", "--kh", "4"], {"kh": 4.0}),
        (["kh-test", "--kh", "71.4 ppm CaCO3"], {"kh": 4.0}),
        (["gh-test", "--gh", "7"], {"gh": 7.0}),
        (["trim", "--fraction", "30%", "--part", "stems"], {"part": "stems"}),
        (["replant", "--fraction", "0,1 1"], {"fraction": {"value": 0.1, "unit": "1"}}),
        (["filter-clean", "--part", "pump"], {"part": "pump"}),
        (["stocking", "--species", "Corydoras sterbai", "--count", "6"], {"count": 6}),
        (
            ["calibration", "--buffer", "7.00=2.1@22", "--buffer", "4.01=178.9"],
            {
                "quantity": "ph",
                "points": [
                    {"buffer": "7.00", "millivolts": 2.1, "temperature_c": 22.0},
                    {"buffer": "4.01", "millivolts": 178.9},
                ],
            },
        ),
        (
            ["calibration", "--quantity", "temperature", "--point", "24.3=24"],
            {"points": [{"reading": 24.3, "reference": 24.0}]},
        ),
        (["calibration", "--slope-percent", "97"], {"slope_percent": 97.0}),
        (["observation", "--note", "all well"], {}),
    ],
)
def test_log(littoral, url, client, arguments, data):
    put(client)
    kind, *options = arguments
    done = littoral("log", kind, "riffle", *options, "--by", "me", "--url", url)
    assert done.code == 0, done.err
    assert done.out.startswith("noted: ") and done.out.endswith("(me)\n")
    listed = littoral("log", "list", "riffle", "--json", "--url", url)
    (entry,) = json.loads(listed.out)["entries"]
    assert (entry["kind"], entry["by"]) == (kind, "me")
    for name, value in data.items():
        told = entry["data"][name]
        if name in ("kh", "gh"):
            assert told["display"]["value"] == pytest.approx(value, rel=2e-3)
        elif name == "fraction":
            assert told == {"value": pytest.approx(100 * value["value"]), "unit": "%"}
        else:
            assert told == value


def test_log_refusals(littoral, url, client):
    put(client)
    ask = lambda *arguments: littoral("log", *arguments, "--url", url)  # noqa: E731
    refused(ask("water-change", "riffle"), "--fraction", "--volume")
    refused(ask("water-change", "riffle", "--fraction", "150"), "150", "up to 100 %")
    refused(
        ask("dose", "riffle", "--name", "N", "--volume", "1", "--mass", "1"), "--volume", "--mass"
    )
    refused(ask("kh-test", "riffle", "--kh", "4 mg"), "mg")
    refused(ask("trim", "none"), "'none'", "404")
    refused(ask("calibration", "riffle", "--buffer", "7.00"), "'7.00'", "BUFFER=MV[@CELSIUS]")
    refused(
        ask("calibration", "riffle", "--buffer", "6.5=3"), "data/points/0/buffer", "'6.5'", "422"
    )
    refused(ask("calibration", "riffle", "--gain", "2"), "gain", "only beside points", "422")
    refused(ask("trim", "riffle", "--time", "2040-01-01T00:00"), "time", "422")


def test_as_processes(url, warm):
    assert "riffle" in process("advice", "--url", url).out
    assert "noted" in process("log", "trim", "riffle", "--url", url).out
    assert process("status", "riffle", "--url", url).code == 1


def test_sparkline():
    assert sparkline([]) == ""
    assert sparkline([None]) == ""
    assert sparkline([1.0, None, 2.0, 1.5]) == "▁ █▅"
    assert sparkline([3.0, 3.0]) == "▁▁"
