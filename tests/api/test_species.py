"""The table of species over HTTP, and the animals of a tank with its limits."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.api.conftest import NOW
from tests.api.scenes import TANK as BODY
from tests.api.scenes import put

SPECIES = "/v1/species"
ANIMALS = "/v1/tanks/riffle/animals"


def test_all_species(client):
    answer = client.get(SPECIES).get_json()
    assert answer["known"] is None and answer["next"] is None
    assert len(answer["animals"]) >= 100 and len(answer["plants"]) >= 60
    neon = next(one for one in answer["animals"] if one["name"] == "Paracheirodon innesi")
    assert neon["comfortable"] == {"low": 20.0, "high": 26.0, "unit": "Cel"}
    assert neon["temperature"] == {"low": 18.0, "high": 28.0, "unit": "Cel"}
    assert neon["co2_max"] == {"value": 34.0, "unit": "mg/L"}
    assert neon["vernacular"] == ["neon tetra"]
    assert neon["temperature_source"] == "common practice, no source (from memory)"


def test_what_a_name_may_mean(client):
    cloud = client.get(SPECIES, query_string={"name": "White cloud"}).get_json()
    assert cloud["known"] is False
    assert cloud["animals"][0]["name"] == "Tanichthys albonubes"
    assert len(cloud["animals"]) <= 10
    moss = client.get(SPECIES, query_string={"name": "java moss"}).get_json()
    assert moss["plants"][0]["name"] == "Taxiphyllum barbieri"
    known = client.get(SPECIES, query_string={"name": "Rasbora heteromorpha"}).get_json()
    assert known["known"] is True
    assert known["animals"][0]["name"] == "Trigonostigma heteromorpha"


def test_a_slip_in_a_tank_is_refused_with_what_may_be_meant(client):
    stock = [{"species": "Danio margaritatas", "count": 8}]
    refused = client.put("/v1/tanks/riffle", json=BODY | {"animals": stock})
    assert refused.status_code == 422
    (error,) = refused.get_json()["errors"]
    assert error["pointer"] == "/animals/0/species"
    assert "Danio margaritatus (celestial pearl danio)" in error["detail"]
    assert "a temperature range of its own" in error["detail"]
    assert client.get("/v1/tanks/riffle").status_code == 404


def test_the_plants_of_a_tank_with_demand_and_what_is_not_listed(client):
    own = {"low": None, "high": 12, "unit": "inch"}
    plants = [
        {"species": "Nesaea pedicellata"},
        {"species": "Invented stem", "light": "high", "height": own},
    ]
    put(client, plants=plants)
    stored = client.get("/v1/tanks/riffle").get_json()["plants"]
    assert stored[0] == {
        "species": "Nesaea pedicellata",
        "light": None,
        "co2": None,
        "height": {"low": None, "high": None, "unit": "cm"},
        "position": None,
        "side": None,
        "wished_height": None,
        "at_surface": None,
    }
    assert client.put("/v1/tanks/riffle", json=BODY | {"plants": stored}).status_code == 200
    answer = client.get("/v1/tanks/riffle/plants").get_json()
    listed, invented = answer["plants"]
    assert listed["listed_as"] == "Ammannia pedicellata"
    assert (listed["light"], listed["co2"], listed["place"]) == ("medium", "helpful", "back")
    assert listed["height"] == {"low": 20.0, "high": 50.0, "unit": "cm"}
    assert (invented["light"], invented["co2"], invented["place"]) == ("high", None, "")
    assert invented["height"]["high"] == 30.48
    assert answer["not_listed"] == ["Invented stem"]
    slip = client.put("/v1/tanks/riffle", json=BODY | {"plants": [{"species": "Java moss"}]})
    (error,) = slip.get_json()["errors"]
    assert error["pointer"] == "/plants/0/species"
    assert "Taxiphyllum barbieri (Java moss)" in error["detail"]


def test_the_height_of_a_plant_is_followed(client):
    """Three heights a week apart, of a plant that the tank lists; by the API, then by its trim."""
    rotala = {"species": "Rotala rotundifolia", "position": "back", "at_surface": "trim"}
    wished = {"value": 12, "unit": "inch"}
    sizes = {"length": 90, "width": 45, "height": 45, "fill_height": 40}
    dimensions = {name: {"value": value, "unit": "cm"} for name, value in sizes.items()}
    put(client, plants=[rotala | {"wished_height": wished}], dimensions=dimensions)
    log = "/v1/tanks/riffle/log"
    for weeks, cm in ((2, 10), (1, 13), (0, 16)):
        data = {"plant": "Rotala rotundifolia", "height": {"value": cm, "unit": "cm"}}
        at = (NOW - timedelta(weeks=weeks)).isoformat()
        answer = client.post(log, json={"kind": "observation", "data": data, "time": at})
        assert answer.status_code == 201 and answer.get_json()["data"] == data
    (one,) = client.get("/v1/tanks/riffle/plants").get_json()["plants"]
    assert (one["position"], one["at_surface"]) == ("back", "trim")
    assert one["wished_height"]["value"] == 30.48
    grown = one["grown"]
    assert grown["last"] == {"value": 16.0, "unit": "cm"} == grown["now"]
    assert grown["growth"]["value"] == pytest.approx(3.0) and grown["growth"]["unit"] == "cm/wk"
    assert grown["growth"]["low"] < 3 < grown["growth"]["high"]
    weeks = grown["to_surface"]
    assert weeks["value"] == pytest.approx((40 - 16) / 3)
    assert weeks["earliest"] < weeks["value"] < weeks["latest"]
    for data, pointer in (
        ({"plant": "Rotala rotundifolia"}, "/data/height"),
        ({"height": {"value": 3, "unit": "cm"}}, "/data/plant"),
        ({"plant": "Anubias barteri", "height": {"value": 3, "unit": "cm"}}, "/data/plant"),
    ):
        refused = client.post(log, json={"kind": "observation", "data": data})
        assert [each["pointer"] for each in refused.get_json()["errors"]] == [pointer]
    data = {"plant": "Rotala rotundifolia", "height": {"value": 8, "unit": "cm"}}
    assert client.post(log, json={"kind": "trim", "data": data}).status_code == 201
    (one,) = client.get("/v1/tanks/riffle/plants").get_json()["plants"]
    assert one["grown"]["last"]["value"] == 8


def test_animals_with_limits_hints_and_what_is_not_covered(client):
    put(
        client,
        animals=[
            {"species": "Rasbora heteromorpha", "count": 8},
            {
                "species": "Corydoras aeneus",
                "count": 6,
                "temperature": {"low": None, "high": 27, "unit": "Cel"},
            },
            {"species": "Invented species", "count": 2},
            {"species": "Betta splendens", "count": 0},
        ],
    )
    answer = client.get(ANIMALS).get_json()
    harlequin, corydoras, invented = answer["animals"]
    assert harlequin["listed_as"] == "Trigonostigma heteromorpha"
    assert harlequin["note"] == "listed as Trigonostigma heteromorpha"
    gh_dgh = [harlequin["gh"][end] / 0.356652 for end in ("low", "high")]  # DIN 38409-6
    assert gh_dgh == pytest.approx([1, 15], rel=1e-5)
    assert corydoras["temperature"] == {"low": 18.0, "high": 27.0, "unit": "Cel"}
    assert corydoras["comfortable"] == {"low": 22.0, "high": 27.0, "unit": "Cel"}
    assert "set for this tank" in corydoras["temperature_source"]
    assert "Leggatt" in corydoras["temperature_source"]
    assert corydoras["air_breather"] is True
    assert (invented["covered"], invented["listed_as"]) == (False, "")
    assert "no advice covers it" in invented["note"]
    assert invented["temperature"] == {"low": None, "high": None, "unit": "Cel"}
    assert answer["not_covered"] == ["Invented species"]
    assert answer["temperature"] == {
        "range": {"low": 20.0, "high": 27.0, "unit": "Cel"},
        "low_species": "Rasbora heteromorpha",
        "high_species": "Corydoras aeneus",
    }
    assert answer["comfortable"]["range"] == {"low": 22.0, "high": 27.0, "unit": "Cel"}
    assert answer["co2_max"] == {"value": 34.0, "unit": "mg/L"}
    assert answer["too_narrow"] == ""
    temperature = client.get("/v1/tanks/riffle/temperature").get_json()
    assert "no temperature range is known of Invented species" in temperature["reasons"]


def test_animals_that_share_nothing(client):
    put(
        client,
        animals=[
            {"species": "Tanichthys albonubes", "count": 8},
            {"species": "Betta splendens", "count": 1},
        ],
    )
    answer = client.get(ANIMALS).get_json()
    assert "no temperature that all animals are comfortable with" in answer["too_narrow"]
    assert answer["comfortable"]["range"]["low"] is None
    assert answer["temperature"]["range"] == {"low": 20.0, "high": 27.0, "unit": "Cel"}


def stocked(client, species: str):
    entry = {"kind": "stocking", "data": {"species": species, "count": 3}}
    return client.post("/v1/tanks/riffle/log", json=entry)


def test_a_slip_in_the_log_is_refused_unless_the_tank_has_that_name(client):
    own = {"low": 22, "high": 27, "unit": "Cel"}
    put(client, animals=[{"species": "Cherry shrimp", "count": 20, "temperature": own}])
    refused = stocked(client, "White cloud")
    assert refused.status_code == 422
    (error,) = refused.get_json()["errors"]
    assert error["pointer"] == "/data/species"
    assert "Tanichthys albonubes (white cloud)" in error["detail"]
    assert stocked(client, "cherry  shrimp").status_code == 201
    assert stocked(client, "Tanichthys albonubes").status_code == 201
    assert stocked(client, "Planta ignota").status_code == 201
