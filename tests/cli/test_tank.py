"""``littoral tank``: every field of the table by its path, and what is refused."""

from __future__ import annotations

import json

import pytest

from service.cli.setup.paths import LISTS, place_of, places
from service.cli.setup.values import example_of, json_at, words_of
from service.version import VERSION
from tests.api.scenes import put
from tests.cli.conftest import refused

PLACES = {one.path: one for one in places()}


def test_every_field_of_a_tank_can_be_set(client):
    """What the API shows of a tank with all plans is set by its own words."""
    put(client)
    document = client.get("/v1/tanks/riffle").get_json()
    members = set(document) - {"id", "volume", "equipment", *LISTS}
    assert members == {path.partition(".")[0] for path in PLACES}
    for path, place in PLACES.items():
        example = example_of(place.field) or "an invented text"
        value = json_at(path, place.field, example)
        assert json_at(path, place.field, words_of(place.field, value)) == value, path


@pytest.mark.parametrize(
    ("path", "text", "said"),
    [
        (
            "kh",
            "4 foo",
            "kh is '4 foo'; allowed: a unit that converts to meq/L, such as meq/L, dKH",
        ),
        ("kh", "much", "kh is 'much'; allowed: a number such as 4 or 4.5 dKH"),
        ("kh", "200", "kh is '200'; allowed: from 0 to 20 meq/L (56.1 dKH), such as 4 dKH"),
        ("gas.start", "7 am", "gas.start is '7 am'; allowed: a local time of day such as 10:30"),
        ("light.photoperiod", "long", "light.photoperiod is 'long'; allowed: a length of time"),
        ("targets.co2", "much", "targets.co2 is 'much'; allowed: two numbers, such as 20 to 30"),
        ("targets.co2", "30 to 20", "allowed: more than low, which is 30, such as 20 to 30 mg/L"),
        ("heated", "perhaps", "heated is 'perhaps'; allowed: true or false, such as true"),
        ("energy", "none", "energy is 'none'; allowed: high, low"),
        ("time_zone", "Mars", "allowed: a name of the IANA time zone database, such as Europe"),
        ("thresholds.work_fraction", "30", "allowed: a number from 0 to 1, such as 0.5"),
    ],
)
def test_a_wrong_value_is_named_with_what_is_allowed(littoral, path, text, said):
    refused(littoral("tank", "set", "riffle", path, text), said)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("kh",), "kh has no value; allowed: FIELD VALUE, in pairs"),
        (("gas.begin", "07:40"), "field is 'gas.begin'; allowed: those of littoral tank fields"),
        (("gas", "07:40"), "such as gas.start, gas.end, gas.close"),
        (("animals", "20"), "animals are a list; allowed: littoral tank animals --help"),
    ],
)
def test_a_wrong_field_is_named_with_near_ones(littoral, words, said):
    refused(littoral("tank", "set", "riffle", *words), said)


def test_what_the_service_refuses_is_named_by_its_path(littoral, url, client):
    put(client)
    refused(littoral("tank", "set", "riffle", "gas.start", "07:40", "--url", url), "gas.end")
    refused(littoral("tank", "set", "none", "kh", "4", "--url", url), "'none'", "404")
    refused(littoral("tank", "new", "riffle", "--name", "R", "--url", url), "412")
    refused(
        littoral("tank", "animals", "set", "riffle", "Betta splendens", "3", "--url", url),
        "species is 'Betta splendens'; allowed: Paracheirodon innesi",
    )
    refused(
        littoral("tank", "animals", "add", "riffle", "Paracheirodon innesi", "--url", url),
        "littoral tank animals set",
    )
    refused(
        littoral("tank", "doses", "add", "riffle", "N", "--salts", "KNO3", "--url", url), "KNO3"
    )


def test_an_animal_is_told_without_what_its_species_tells(littoral, url, client):
    """Its temperature is that of the species until another is given, and no "none"."""
    put(client)
    ask = lambda *words: littoral("tank", "animals", *words, "--url", url)  # noqa: E731
    assert ask("add", "riffle", "Betta splendens", "1").out == "1 Betta splendens\n"
    warmer = ("set", "riffle", "Betta splendens", "--temperature", "from 25 °C")
    assert ask(*warmer).out == "1 Betta splendens  temperature from 25 °C\n"
    assert ask("list", "riffle").out.splitlines()[-1] == ask(*warmer).out.strip()


def test_fields_are_emptied_and_take_their_default(littoral, url, client):
    put(client, gas={"start": "08:00", "end": "17:00"}, notes="Two words.")
    ask = lambda *words: littoral("tank", *words, "--url", url)  # noqa: E731
    assert ask("set", "riffle", "gas.start", "none", "gas.end", "none").out == (
        "gas.start  none\ngas.end  none\n"
    )
    assert ask("unset", "riffle", "notes", "light.photoperiod").out == (
        "notes  \nlight.photoperiod  8 h\n"
    )
    assert "kh  4 dKH" in ask("show", "riffle", "kh").out
    shown = ask("show", "riffle").out
    assert "20 Paracheirodon innesi" in shown and "organic_carbon" not in shown
    assert "organic_carbon" in ask("show", "riffle", "--all").out
    assert json.loads(ask("show", "riffle", "--json").out)["gas"]["start"] is None
    done = ask("animals", "remove", "riffle", "Paracheirodon innesi")
    assert done.out == "no animals are listed\n"
    assert client.get("/v1/tanks/riffle").get_json()["animals"] == []


def test_the_fields_are_listed(littoral):
    listed = littoral("tank", "fields").out
    assert "gas.start" in listed and "a local time of day such as 10:30, or none" in listed
    shown = json.loads(littoral("tank", "fields", "--json").out)["fields"]
    assert [one["path"] for one in shown] == list(PLACES)
    assert place_of("water-change.tap-kh").path == "water_change.tap_kh"


def test_nothing_is_deleted_without_a_yes(littoral, url, client, monkeypatch):
    put(client)
    monkeypatch.setattr("click.confirm", lambda *_, **__: False)
    refused(littoral("tank", "delete", "riffle", "--url", url), "nothing is deleted", "--yes")
    assert client.get("/v1/tanks/riffle").status_code == 200


def test_the_version(littoral):
    assert littoral("--version").out == f"littoral {VERSION}\n"
