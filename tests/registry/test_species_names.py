"""Names that are not listed: slips and vernacular names are suggested, never taken."""

from __future__ import annotations

import pytest

from service.errors import InvalidInputError
from service.registry.checks import check_tank
from service.registry.models.tank import Stock, Tank
from service.registry.species.names import LONGEST, meant, nearest, plant, valid_name
from service.registry.species.table import ANIMALS, PLANTS


def tank_with(stock: Stock) -> Tank:
    return Tank("reed", "Reed", animals=(stock,))


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ("White cloud", "Tanichthys albonubes"),
        ("white cloud mountain minnow", "Tanichthys albonubes"),
        ("Danio margaritatas", "Danio margaritatus"),
        ("paracheirodon inesi", "Paracheirodon innesi"),
        ("Corydora paleatus", "Corydoras paleatus"),
        ("Cherry shrimps", "Neocaridina davidi"),
        ("guppys", "Poecilia reticulata"),
        ("Galaxy rasbora", "Danio margaritatus"),
        ("angel fish", "Pterophyllum scalare"),
        ("Rasbora heteromorfa", "Trigonostigma heteromorpha"),
    ],
)
def test_the_likeliest_is_suggested_first(given, expected):
    assert meant(given)[0].name == expected
    assert len(meant(given)) <= 3


@pytest.mark.parametrize(
    "name",
    ["Hyphessobrycon rosaceus", "Danio kyathit", "Corydoras melini", "Betta mahachaiensis",
     "Planta ignota", "An invented fish", "Symphysodon discus"],
)  # fmt: skip
def test_another_species_is_no_slip(name):
    """Real congeners of listed species, and names unlike any."""
    assert meant(name) == ()


@pytest.mark.parametrize("entry", ANIMALS, ids=lambda one: one.name)
def test_every_vernacular_name_leads_to_its_species(entry):
    for name in entry.vernacular:
        assert entry in meant(name)


def test_plants_have_names_too():
    assert plant("rotala ROTUNDIFOLIA").co2 == "helpful"
    assert plant("Java moss") is None
    assert nearest("Java moss", PLANTS)[0].name == "Taxiphyllum barbieri"
    assert nearest("Rotala rotundifola", PLANTS)[0].name == "Rotala rotundifolia"


def test_a_synonym_has_its_valid_name():
    assert valid_name("Rasbora heteromorpha") == "Trigonostigma heteromorpha"
    assert valid_name("Trigonostigma heteromorpha") == ""
    assert valid_name("Echinodorus tenellus") == "Helanthium tenellum"
    assert valid_name("Planta ignota") == ""


@pytest.mark.parametrize("name", ["White cloud", "Danio margaritatas"])
def test_a_slip_is_refused_with_what_may_be_meant(name):
    with pytest.raises(InvalidInputError) as refused:
        check_tank(tank_with(Stock(name, 8)))
    (fault,) = refused.value.faults
    assert fault.pointer == "/animals/0/species"
    assert meant(name)[0].name in fault.detail
    assert "temperature range of its own" in fault.detail


def test_a_name_with_its_own_range_is_taken_as_it_is():
    check_tank(tank_with(Stock("White cloud", 8, temperature_low_c=16.0, temperature_high_c=24.0)))


def test_synonyms_and_unlike_names_are_taken():
    check_tank(tank_with(Stock("Rasbora heteromorpha", 8)))
    check_tank(tank_with(Stock("Planta ignota", 8)))


@pytest.mark.parametrize(
    ("own", "pointer"),
    [
        (
            {"temperature_low_c": 20.0, "temperature_high_c": 26.0, "comfortable_low_c": 18.0},
            "/animals/0/comfortable/low",
        ),
        (
            {"temperature_high_c": 26.0, "comfortable_high_c": 27.0},
            "/animals/0/comfortable/high",
        ),
        ({"co2_max_mg_l": 25.0, "co2_comfortable_mg_l": 26.0}, "/animals/0/co2_comfortable"),
    ],
)
def test_comfortable_lies_within_tolerable(own, pointer):
    with pytest.raises(InvalidInputError) as refused:
        check_tank(tank_with(Stock("Danio rerio", 8, **own)))
    assert [fault.pointer for fault in refused.value.faults] == [pointer]


def test_a_long_name_is_no_slip_and_none_that_is_listed_is_as_long():
    names = [
        name for one in (*ANIMALS, *PLANTS) for name in (one.name, *one.synonyms, *one.vernacular)
    ]
    assert max(map(len, names)) < LONGEST
    assert meant("white cloud " * 10) == ()
