"""The animals on the page of a tank, and both figures of CO2."""

from __future__ import annotations

import re
import urllib.request
from dataclasses import replace
from datetime import timedelta

from service.pages.local_time import LocalTime
from service.pages.tank.animals import animal_lines
from service.pages.tank.plants import plant_lines
from service.pages.tank.summary import Tone, lines_of
from service.registry.models.log import LogKind
from service.registry.models.tank import Plant, Stock
from tests.advice.cases import view_with
from tests.derive.pieces import NOON, a_tank, entry
from tests.pages.served import Served


def test_what_no_advice_covers_comes_first() -> None:
    stock = (
        Stock("Corydoras aeneus", 8),
        Stock("Rasbora heteromorpha", 12, temperature_low_c=22.0, temperature_high_c=27.0),
        Stock("Invented species", 2),
        Stock("Betta splendens", 0),
    )
    invented, corydoras, harlequin = animal_lines(a_tank(animals=stock))
    assert (invented.name, invented.covered, invented.limits) == ("2 Invented species", False, "")
    assert "no advice covers it" in invented.note
    assert corydoras.limits == (
        "22 to 26 °C, tolerates 18 to 29, CO2 up to 34 mg/L, takes air at the surface"
    )
    assert "Leggatt" in corydoras.sources
    assert harlequin.limits.startswith("22 to 27 °C, CO2")
    assert harlequin.note == "listed as Trigonostigma heteromorpha"


def test_the_page_has_animals_and_both_figures_of_co2(shore: Served) -> None:
    with urllib.request.urlopen(f"{shore.url}/tanks/emberpane", timeout=60) as answer:
        page = answer.read().decode()
    assert "8 Danio margaritatus" in page and "30 Neocaridina davidi" in page
    assert "<b>Anubias barteri" in page and "light low, no CO2 needed" in page
    assert re.search(r"mg/L</span> <span class=\"aim\">\(rule of thumb: \d+\)", page)


def test_the_plants_with_what_needs_attention_first() -> None:
    plants = (Plant("Taxiphyllum barbieri"), Plant("Rotala macrandra"))
    rotala, moss = plant_lines(a_tank(plants=plants, co2_injected=False))
    assert rotala.name.startswith("Rotala macrandra (")
    assert rotala.demand == "light high, needs CO2, 20 to 50 cm, background"
    assert rotala.note == "needs injected CO2, and this tank has none"
    assert moss.demand == "light low, no CO2 needed, 2 to 10 cm, on wood or rock"
    assert moss.source != ""


def test_a_plant_with_its_place_and_its_growth() -> None:
    plant = Plant("Rotala macrandra", position="back", side="left", at_surface="grow-out")
    tank = a_tank(plants=(replace(plant, wished_height_cm=30.0),))
    log = [
        entry(LogKind.OBSERVATION, NOON - timedelta(weeks=weeks), plant=plant.species, height_cm=cm)
        for weeks, cm in ((0, 22.0), (1, 19.0), (2, 16.0))
    ]
    (one,) = plant_lines(tank, log, NOON)
    assert "back left, wished up to 30 cm, may grow out" in one.demand
    assert one.height == (
        "22 cm on 10 Mar, grows 3.0 cm a week (1.6 to 4.4); "
        "at the surface in about 7 weeks (5 to 12)"
    )
    (single,) = plant_lines(tank, log[:1], NOON)
    assert single.height == "22 cm on 10 Mar"


def test_the_lines_tell_remarks_from_alarms() -> None:
    neons = (Stock("Paracheirodon innesi", 20),)

    def lines(celsius: float, co2: float):
        view = view_with(
            a_tank(animals=neons), celsius=lambda t: t * 0 + celsius, co2=lambda t: t * 0 + co2
        )
        return lines_of(view, LocalTime("UTC", NOON))[:2]

    gas, water = lines(27.0, 32.0)
    assert (water.word, water.tone) == (
        "warmer than Paracheirodon innesi likes, but tolerable",
        Tone.CALM,
    )
    assert water.range.startswith("range 20 to 26, tolerable 18 to 28")
    assert gas.word.startswith("more than Paracheirodon innesi likes, but tolerable")
    assert gas.beside.startswith("rule of thumb: 2")
    gas, water = lines(28.5, 38.0)
    assert water.word == "too warm for Paracheirodon innesi" and water.tone is Tone.ATTENTION
    assert gas.word.startswith("too much")
