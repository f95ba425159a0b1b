"""The plants of a tank: names checked, gaps filled from the table, what does not fit said."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.derive.inhabitants.plants import plants_of, reaching_cm
from service.errors import InvalidInputError
from service.registry.checks import check_tank
from service.registry.models.tank import Dimensions, Plant, Tank
from service.registry.species.ranges import OWN


def tank(*plants: Plant, **of_tank: object) -> Tank:
    return Tank("reed", "Reed", plants=plants, **of_tank)  # type: ignore[arg-type]


def test_what_the_tank_leaves_open_comes_from_the_table() -> None:
    """Rotala macrandra wants much light and CO2: common practice, no source."""
    (one,) = plants_of(tank(Plant("Rotala macrandra")))
    assert (one.plant.light, one.plant.co2, one.place) == ("high", "needed", "back")
    assert (one.plant.height_low_cm, one.plant.height_high_cm) == (20.0, 50.0)
    assert one.note == "" and one.source != "" and OWN not in one.source


def test_what_the_tank_says_wins() -> None:
    own = Plant("Rotala macrandra", light="medium", height_high_cm=30.0)
    (one,) = plants_of(tank(own))
    assert (one.plant.light, one.plant.co2) == ("medium", "needed")
    assert (one.plant.height_low_cm, one.plant.height_high_cm) == (None, 30.0)
    assert one.source.startswith(OWN)


@pytest.mark.parametrize(
    ("name", "offered"),
    [
        ("Java moss", "Taxiphyllum barbieri"),
        ("Cryptocoryne wendti", "Cryptocoryne wendtii"),
        ("Anubias bartri", "Anubias barteri"),
    ],
)
def test_a_plain_name_or_a_slip_is_refused_with_what_may_be_meant(name: str, offered: str) -> None:
    with pytest.raises(InvalidInputError) as refused:
        check_tank(tank(Plant("Rotala rotundifolia"), Plant(name)))
    (fault,) = refused.value.faults
    assert fault.pointer == "/plants/1/species"
    assert f"such as {offered}" in fault.detail
    assert "or another name with a light, CO2 or height of its own" in fault.detail
    check_tank(tank(Plant(name, light="low")))


def test_a_place_is_no_demand_of_its_own() -> None:
    placed = Plant("Anubias bartri", position="front", wished_height_cm=10.0, at_surface="trim")
    with pytest.raises(InvalidInputError):
        check_tank(tank(placed))
    (one,) = plants_of(tank(replace(placed, species="Anubias barteri")))
    assert (one.plant.position, one.plant.at_surface) == ("front", "trim")
    assert OWN not in one.source and one.plant.light == "low"


def test_an_unlike_name_is_taken_and_listed_as_not_known() -> None:
    unknown = tank(Plant("Inventia aquatica"))
    check_tank(unknown)
    (one,) = plants_of(unknown)
    assert (one.listed_as, one.source, one.note) == ("", "", "not listed")


def test_what_does_not_fit_the_tank_is_said() -> None:
    low = Dimensions(60, 30, 30, fill_height_cm=27, substrate_depth_cm=4)
    plants = (Plant("Rotala macrandra"), Plant("Vallisneria spiralis"), Plant("Salvinia natans"))
    bare = tank(*plants, co2_injected=False, dimensions=low)
    rotala, vallisneria, salvinia = plants_of(bare)
    assert rotala.note == "needs injected CO2, and this tank has none"
    assert vallisneria.note == "grows to 30 cm at least, and the water is 23 cm deep"
    assert salvinia.note == ""
    assert reaching_cm(bare, 50.0) == ["Rotala macrandra", "Vallisneria spiralis"]


def test_a_synonym_is_taken_and_the_listed_name_said() -> None:
    (one,) = plants_of(tank(Plant("Nesaea pedicellata")))
    assert one.note == "listed as Ammannia pedicellata"
