"""``littoral log``, asking the real application over real HTTP."""

from __future__ import annotations

import json

import pytest

from tests.api.scenes import put
from tests.cli.conftest import refused
from tests.pictures.samples import picture, read_here


@pytest.mark.parametrize(
    ("arguments", "data"),
    [
        (["water-change", "--fraction", "50"], {"fraction": {"value": 0.5, "unit": "1"}}),
        (["dose", "--name", "Nitrogen", "--volume", "12"], {"name": "Nitrogen"}),
        (["kh-test", "--kh", "4"], {"kh": 4.0}),
        (["kh-test", "--kh", "71.4 ppm CaCO3"], {"kh": 4.0}),
        (["gh-test", "--gh", "7"], {"gh": 7.0}),
        (["nutrient-test", "--no3", "12", "--fe", "0,1"], {"no3": {"value": 12.0, "unit": "mg/L"}}),
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
        (["observation", "--kind", "threads", "--level", "2"], {"kind": "threads", "level": 2}),
    ],
)
def test_log(littoral, url, client, arguments, data):
    put(client)
    kind, *options = arguments
    done = littoral("log", kind, "riffle", *options, "--by", "me", "--url", url)
    assert done.code == 0, done.err
    assert done.out.startswith("logged: ") and done.out.endswith("(me)\n")
    listed = littoral("log", "list", "riffle", "--json", "--url", url)
    (entry,) = json.loads(listed.out)["entries"]
    assert (entry["kind"], entry["by"]) == (kind, "me")
    for name, value in data.items():
        found = entry["data"][name]
        if name in ("kh", "gh"):
            assert found["display"]["value"] == pytest.approx(value, rel=2e-3)
        elif name == "fraction":
            assert found == {"value": pytest.approx(100 * value["value"]), "unit": "%"}
        else:
            assert found == value


def test_log_refusals(littoral, url, client):
    put(client)
    ask = lambda *arguments: littoral("log", *arguments, "--url", url)  # noqa: E731
    refused(ask("water-change", "riffle"), "--fraction", "--volume")
    refused(ask("water-change", "riffle", "--fraction", "150"), "150", "up to 100 %")
    refused(
        ask("dose", "riffle", "--name", "N", "--volume", "1", "--mass", "1"), "--volume", "--mass"
    )
    refused(ask("kh-test", "riffle", "--kh", "4 mg"), "mg")
    refused(ask("observation", "riffle", "--kind", "moss", "--level", "2"), "moss", "threads")
    refused(ask("observation", "riffle", "--kind", "threads", "--level", "6"), "6", "from 0 to 5")
    refused(ask("observation", "riffle", "--kind", "threads"), "level", "0 to 5", "422")
    refused(ask("trim", "none"), "'none'", "404")
    refused(ask("calibration", "riffle", "--buffer", "7.00"), "'7.00'", "BUFFER=MV[@CELSIUS]")
    refused(
        ask("calibration", "riffle", "--buffer", "6.5=3"), "data/points/0/buffer", "'6.5'", "422"
    )
    refused(ask("calibration", "riffle", "--gain", "2"), "gain", "only beside points", "422")
    refused(ask("trim", "riffle", "--time", "2040-01-01T00:00"), "time", "422")


def test_pictures_come_with_an_entry(littoral, url, client, tmp_path, monkeypatch):
    read_here(monkeypatch)
    put(client)
    first, second, text = tmp_path / "front.jpg", tmp_path / "left.png", tmp_path / "text.jpg"
    first.write_bytes(picture())
    second.write_bytes(picture("PNG"))
    text.write_bytes(b"no picture")
    said = ("log", "observation", "riffle", "--note", "leaves", "--url", url, "--picture", first)
    done = littoral(*said, "--picture", second)
    assert done.code == 0 and done.out.endswith("leaves  [2 pictures]\n"), done.err
    assert littoral("log", "list", "riffle", "--url", url).out.endswith("[2 pictures]\n")
    refused(littoral(*said, "--picture", text), f"{text} is 'no picture that can be read here'")
    refused(littoral(*said, "--picture", tmp_path / "none.jpg"), "does not exist")
