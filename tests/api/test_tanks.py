"""Tanks over HTTP: read, write, change, delete; versions; refusals."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from service.advice.engine.history.ledger import Ledger
from tests.advice.cases import view_with
from tests.advice.engine.test_ledger import finding
from tests.api.conftest import problem_of
from tests.api.scenes import TANK, day_of_readings, put

GOLDEN = {
    "id": "riffle",
    "name": "Invented tank",
    "time_zone": "UTC",
    "dimensions": {
        "length": {"value": 90.0, "unit": "cm"},
        "width": {"value": 45.0, "unit": "cm"},
        "height": {"value": 45.0, "unit": "cm"},
        "fill_height": None,
        "substrate_depth": {"value": 0.0, "unit": "cm"},
        "substrate_porosity": 0.4,
        "hardscape": {"value": 0.0, "unit": "L"},
    },
    "net_volume": None,
    "volume": {"net": {"value": pytest.approx(182.25), "unit": "L"}, "source": "computed"},
    "altitude": {"value": 0.0, "unit": "m"},
    "kh": {
        "value": pytest.approx(1.426608, rel=1e-5),
        "unit": "meq/L",
        "display": {"value": pytest.approx(4), "unit": "dKH"},
    },
    "kh_tested": "2025-06-01",
    "kh_kit": {
        "method": "titration",
        "step": {
            "value": pytest.approx(0.356652, rel=1e-5),
            "unit": "meq/L",
            "display": {"value": pytest.approx(1), "unit": "dKH"},
        },
        "sample": None,
        "kit_sample": {"value": 5.0, "unit": "mL"},
    },
    "organic_carbon": None,
    "gh": None,
    "energy": "high",
    "heated": True,
    "co2_injected": True,
    "set_up": None,
    "animals": [
        {
            "species": "Paracheirodon innesi",
            "count": 20,
            "added": "2024-01-10",
            "temperature": {"low": None, "high": None, "unit": "Cel"},
            "comfortable": {"low": None, "high": None, "unit": "Cel"},
            "co2_max": None,
            "co2_comfortable": None,
            "air_breather": None,
        }
    ],
    "targets": {
        "co2": {"low": 20.0, "high": 30.0, "unit": "mg/L"},
        "dli": {"low": 1.5, "high": 4.0, "unit": "mol/m2/d"},
    },
    "plants": [],
    "light": {"start": "10:00", "photoperiod": "PT8H"},
    "gas": {"start": None, "end": None, "close": ""},
    "water_change": {
        "every": "P7D",
        "fraction": {"value": 50.0, "unit": "%"},
        "tap_kh": None,
        "tap_temperature": None,
        "tap_gh": None,
        "tap_ph": None,
        "hot_temperature": None,
        "target_kh": None,
        "target_gh": None,
        "tap_no3": None,
        "tap_po4": None,
        "tap_k": None,
        "tap_fe": None,
    },
    "doses": [],
    "sensors": {},
    "cylinder": None,
    "equipment": {},
    "thresholds": {},
    "notes": "",
    "salted": None,
    "medicated": None,
    "contact": "",
}


def test_a_new_tank_is_created_and_read_back(client):
    created = put(client)
    assert created.status_code == 201
    assert created.headers["Location"] == "/v1/tanks/riffle"
    assert created.get_json() == GOLDEN
    read = client.get("/v1/tanks/riffle")
    assert read.get_json() == GOLDEN
    assert list(read.get_json()) == list(GOLDEN)
    assert read.headers["ETag"] == created.headers["ETag"]
    assert client.get("/v1/tanks").get_json() == {"tanks": [GOLDEN], "next": None}


def test_pages_by_key(client):
    names = [f"pool-{number}" for number in range(5)]
    for name in names:
        client.put(f"/v1/tanks/{name}", json={"name": "Invented"})
    address, sizes, found = "/v1/tanks?limit=2", [], []
    while address:
        page = client.get(address).get_json()
        sizes.append(len(page["tanks"]))
        found += [one["id"] for one in page["tanks"]]
        address = page["next"]
    assert (found, sizes) == (names, [2, 2, 1])
    # A tank that is deleted between two pages moves none of the others.
    after = client.get("/v1/tanks?limit=2").get_json()["next"]
    client.delete("/v1/tanks/pool-1")
    assert [one["id"] for one in client.get(after).get_json()["tanks"]] == names[2:4]
    problem_of(client.get("/v1/tanks?limit=0"), 422, "invalid-input")
    problem_of(client.get("/v1/tanks?after=No+such"), 422, "invalid-input")


def test_no_tanks(client):
    assert client.get("/v1/tanks").get_json() == {"tanks": [], "next": None}
    problem_of(client.get("/v1/tanks/riffle"), 404, "not-found")


def test_what_was_read_can_be_sent_back(client):
    before = put(client)
    again = client.put("/v1/tanks/riffle", json=before.get_json())
    assert again.status_code == 200
    assert again.headers["ETag"] == before.headers["ETag"]


def test_every_member_survives(client):
    """All members with values of their own, in units of their own, come back canonical."""
    put(
        client,
        time_zone="Europe/Lisbon",
        net_volume={"value": 40, "unit": "gal"},
        altitude={"value": 1000, "unit": "ft"},
        gh={"value": 6, "unit": "dGH"},
        energy="low",
        heated=False,
        co2_injected=False,
        set_up="2023-02-01",
        animals=[
            {
                "species": "Betta splendens",
                "count": 1,
                "temperature": {"low": 75, "high": None, "unit": "degF"},
                "co2_max": {"value": 0.02, "unit": "g/L"},
                "air_breather": True,
            }
        ],
        targets={
            "co2": {"low": 15, "high": 25, "unit": "mg/L"},
            "dli": {"low": 2, "high": 5, "unit": "mol/m2/d"},
        },
        light={"start": "11:30", "photoperiod": "7h30m"},
        gas={"start": "09:00", "end": "18:00", "close": "pull the grey plug"},
        water_change={
            "every": "14d",
            "fraction": {"value": 0.3, "unit": "1"},
            "tap_kh": {"value": 50, "unit": "ppm CaCO3"},
            "tap_temperature": {"value": 59, "unit": "degF"},
            "tap_ph": 7.6,
            "hot_temperature": {"value": 140, "unit": "degF"},
            "target_kh": {"value": 4, "unit": "dKH"},
            "target_gh": {"value": 6, "unit": "dGH"},
        },
        doses=[
            {"name": "micro", "volume_per_100_l": {"value": 0.01, "unit": "L"}},
            {"name": "nitrate", "mass_per_100_l": {"value": 1, "unit": "g"}},
        ],
        sensors={"ph": "glass-1"},
        cylinder={"content": {"value": 2, "unit": "kg"}, "put_on": "2025-05-01"},
        equipment={"pumps": 2, "lamp": "white LED"},
        thresholds={"stale_ph_min": 15},
        notes="Two\nlines.",
        contact="Invented keeper, extension 12",
    )
    tank = client.get("/v1/tanks/riffle").get_json()
    assert tank["time_zone"] == "Europe/Lisbon"
    assert tank["net_volume"] == {"value": pytest.approx(151.416, rel=1e-4), "unit": "L"}
    assert tank["volume"]["source"] == "measured"
    assert tank["altitude"]["value"] == pytest.approx(304.8)
    assert tank["gh"]["display"] == {"value": pytest.approx(6), "unit": "dGH"}
    assert (tank["energy"], tank["heated"], tank["co2_injected"]) == ("low", False, False)
    animal = tank["animals"][0]
    assert animal["temperature"] == {
        "low": pytest.approx(23.889, rel=1e-4),
        "high": None,
        "unit": "Cel",
    }
    assert animal["co2_max"] == {"value": pytest.approx(20), "unit": "mg/L"}
    assert tank["targets"]["co2"] == {"low": 15.0, "high": 25.0, "unit": "mg/L"}
    assert tank["light"] == {"start": "11:30", "photoperiod": "PT7H30M"}
    assert tank["gas"] == {"start": "09:00", "end": "18:00", "close": "pull the grey plug"}
    change = tank["water_change"]
    assert change["every"] == "P14D"
    assert change["fraction"] == {"value": pytest.approx(30), "unit": "%"}
    assert change["tap_kh"]["display"]["value"] == pytest.approx(50 / 17.848, rel=1e-3)
    assert change["tap_temperature"]["value"] == pytest.approx(15)
    assert change["tap_ph"] == 7.6
    assert change["hot_temperature"]["value"] == pytest.approx(60)
    assert change["target_kh"]["display"]["value"] == pytest.approx(4)
    assert change["target_gh"]["display"]["value"] == pytest.approx(6)
    assert tank["doses"][0]["volume_per_100_l"] == {"value": pytest.approx(10), "unit": "mL"}
    assert tank["sensors"] == {"ph": "glass-1"}
    assert tank["cylinder"] == {"content": {"value": 2000, "unit": "g"}, "put_on": "2025-05-01"}
    assert tank["equipment"] == {"pumps": 2, "lamp": "white LED"}
    assert tank["thresholds"] == {"stale_ph_min": 15.0}
    assert tank["notes"] == "Two\nlines."
    assert tank["contact"] == "Invented keeper, extension 12"
    again = client.put("/v1/tanks/riffle", json=tank)
    assert again.get_json() == tank


def test_patch_changes_what_is_given_and_nothing_else(client):
    put(client, notes="old", doses=[{"name": "x", "mass_per_100_l": {"value": 1, "unit": "g"}}])
    patched = client.patch(
        "/v1/tanks/riffle",
        json={"targets": {"co2": {"high": 25}}, "notes": None, "heated": False},
        headers={"Content-Type": "application/merge-patch+json"},
    ).get_json()
    assert patched["targets"]["co2"] == {"low": 20.0, "high": 25.0, "unit": "mg/L"}
    assert patched["notes"] == ""
    assert patched["heated"] is False
    unchanged = {"targets", "notes", "heated", "doses"}
    assert {k: v for k, v in patched.items() if k not in unchanged} == {
        k: v for k, v in GOLDEN.items() if k not in unchanged
    }
    assert len(patched["doses"]) == 1


def test_merge_patch_vs_rfc_7386():
    """The test cases of RFC 7386, appendix A."""
    from service.api.http.merge_patch import merged

    for original, patch, result in (
        ({"a": "b"}, {"a": "c"}, {"a": "c"}),
        ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
        ({"a": "b"}, {"a": None}, {}),
        ({"a": "b", "b": "c"}, {"a": None}, {"b": "c"}),
        ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
        ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
        ({"a": {"b": "c"}}, {"a": {"b": "d", "c": None}}, {"a": {"b": "d"}}),
        ({"a": [{"b": "c"}]}, {"a": [1]}, {"a": [1]}),
        (["a", "b"], ["c", "d"], ["c", "d"]),
        ({"a": "b"}, ["c"], ["c"]),
        ({"a": "foo"}, None, None),
        ({"a": "foo"}, "bar", "bar"),
        ({"e": None}, {"a": 1}, {"e": None, "a": 1}),
        ([1, 2], {"a": "b", "c": None}, {"a": "b"}),
        ({}, {"a": {"bb": {"ccc": None}}}, {"a": {"bb": {}}}),
    ):
        assert merged(original, patch) == result


def test_a_deleted_tank_clears_its_recommendations_in_the_log_of_events(client, context):
    put(client)
    tank = context.registry.tank("riffle")
    view = replace(view_with(), tank=tank)
    ledger = Ledger(context.registry)
    (one,) = ledger.update(view, [finding("co2-low")]).current
    assert client.delete("/v1/tanks/riffle").status_code == 204
    events = context.registry.events(tank="riffle")
    assert [(event.type, event.subject) for event in events] == [
        ("recommendation.opened", one.id),
        ("recommendation.cleared", one.id),
    ]


def test_delete_keeps_or_deletes_readings(client, context):
    put(client)
    day_of_readings(context.store)
    assert client.delete("/v1/tanks/riffle").status_code == 204
    problem_of(client.get("/v1/tanks/riffle"), 404, "not-found")
    assert context.store.series("riffle")
    put(client)
    assert client.delete("/v1/tanks/riffle?readings=delete").status_code == 204
    assert context.store.series("riffle") == []
    problem_of(client.delete("/v1/tanks/riffle"), 404, "not-found")


def test_versions(client):
    tag = put(client).headers["ETag"]
    same = client.get("/v1/tanks/riffle", headers={"If-None-Match": f"W/{tag}"})
    assert (same.status_code, same.data) == (304, b"")
    assert same.headers["ETag"] == tag
    assert same.headers["Cache-Control"] == "no-cache"
    put(client, notes="changed by another")
    for method in (client.put, client.patch):
        response = method("/v1/tanks/riffle", json=TANK, headers={"If-Match": tag})
        problem_of(response, 412, "precondition-failed")
    problem_of(
        client.delete("/v1/tanks/riffle", headers={"If-Match": tag}), 412, "precondition-failed"
    )
    new = client.get("/v1/tanks/riffle").headers["ETag"]
    assert new != tag
    assert client.put("/v1/tanks/riffle", json=TANK, headers={"If-Match": new}).status_code == 200
    only_new = {"If-None-Match": "*"}
    problem_of(
        client.put("/v1/tanks/riffle", json=TANK, headers=only_new), 412, "precondition-failed"
    )
    assert client.put("/v1/tanks/pool", json=TANK, headers=only_new).status_code == 201
    problem_of(
        client.put("/v1/tanks/none", json=TANK, headers={"If-Match": tag}),
        412,
        "precondition-failed",
    )


CM = {"unit": "cm"}


@pytest.mark.parametrize(
    ("members", "slug", "pointer"),
    [
        ({"name": ""}, "invalid-input", "/name"),
        ({"name": "a\u0000b"}, "invalid-input", "/name"),
        ({"name": 5}, "invalid-input", "/name"),
        ({"name": "\ud800"}, "invalid-input", "/name"),
        ({"id": "other"}, "invalid-input", "/id"),
        ({"time_zone": "Atlantis"}, "invalid-input", "/time_zone"),
        ({"net_volume": {"value": -5, "unit": "L"}}, "invalid-input", "/net_volume/value"),
        ({"net_volume": {"value": 5, "unit": "Cel"}}, "unknown-unit", "/net_volume/unit"),
        ({"dimensions": {}}, "invalid-input", "/dimensions/length"),
        (
            {"dimensions": TANK["dimensions"] | {"fill_height": CM | {"value": 60}}},
            "invalid-input",
            "/dimensions/fill_height",
        ),
        ({"animals": [{"count": 3}]}, "invalid-input", "/animals/0/species"),
        ({"animals": {}}, "invalid-input", "/animals"),
        (
            {"animals": [{"species": "x", "temperature": {"low": 9, "high": 5, "unit": "Cel"}}]},
            "invalid-input",
            "/animals/0/temperature/high",
        ),
        ({"set_up": "2025-02-30"}, "invalid-input", "/set_up"),
        ({"light": {"start": "25:00"}}, "invalid-input", "/light/start"),
        ({"light": {"photoperiod": "25h"}}, "invalid-input", "/light/photoperiod"),
        ({"gas": {"start": "09:00"}}, "invalid-input", "/gas/end"),
        (
            {"water_change": {"fraction": {"value": 101, "unit": "%"}}},
            "invalid-input",
            "/water_change/fraction/value",
        ),
        ({"doses": [{"name": "x"}]}, "invalid-input", "/doses/0/volume_per_100_l"),
        ({"sensors": {"salinity": "x"}}, "invalid-input", "/sensors/salinity"),
        ({"thresholds": {"stale_ph_min": -1}}, "invalid-input", "/thresholds/stale_ph_min"),
        ({"thresholds": {"typo": 1}}, "invalid-input", "/thresholds/typo"),
        ({"equipment": {"x": [1]}}, "invalid-input", "/equipment/x"),
        ({"heated": "yes"}, "invalid-input", "/heated"),
        ({"colour": "red"}, "invalid-input", "/colour"),
    ],
)
def test_refusals(client, members, slug, pointer):
    text = json.dumps(TANK | members)  # escapes half characters, as a careless program would
    response = client.put("/v1/tanks/riffle", data=text, content_type="application/json")
    body = problem_of(response, 422, slug)
    assert pointer in [error["pointer"] for error in body["errors"]]
    assert pointer in body["detail"]
    problem_of(client.get("/v1/tanks/riffle"), 404, "not-found")


@pytest.mark.parametrize("tank", ["Riffle", "a_b", "-a", "a" * 65, "%C3%A4"])
def test_a_tank_needs_a_plain_id(client, tank):
    problem_of(client.put(f"/v1/tanks/{tank}", json=TANK), 422, "invalid-input")


def test_patch_refusals(client):
    problem_of(client.patch("/v1/tanks/riffle", json={"notes": "x"}), 404, "not-found")
    put(client)
    problem_of(client.patch("/v1/tanks/riffle", json=[]), 422, "invalid-input")
    problem_of(client.patch("/v1/tanks/riffle", json={"id": "x"}), 422, "invalid-input")
    problem_of(client.patch("/v1/tanks/riffle", json={"name": None}), 422, "invalid-input")
    problem_of(
        client.patch("/v1/tanks/riffle", data="notes=x", content_type="text/plain"),
        415,
        "unsupported-media-type",
    )
