"""The tables of species: complete, sane, sourced; and what published limits say of them."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from service.registry.models.tank import Stock
from service.registry.species import table
from service.registry.species.names import species
from service.registry.species.ranges import comfortable_range, tolerable_range
from service.registry.species.table import ANIMALS, PLANTS, SOURCES, WrongRowError

HEAD = (Path(table.__file__).parent / "animals.csv").read_text("utf-8").splitlines()[0]
# An invented row.
GOOD = "Danio rerio,fish,,zebrafish,20,28,practice,18,30,practice,2,20,30,34,practice,no"
PLANT_HEAD = (Path(table.__file__).parent / "plants.csv").read_text("utf-8").splitlines()[0]
GOOD_PLANT = "Rotala wallichii,,whorly rotala,high,needed,15,40,back,practice"


def test_ceilings_of_co2_say_that_they_are_practice() -> None:
    """No published limit of a species of the trade was found; one that is must name its source."""
    for entry in ANIMALS:
        if (entry.co2_comfortable_mg_l, entry.co2_tolerable_mg_l) == (30.0, 34.0):
            assert entry.co2_source == "common practice, no source (from memory)"
        assert entry.co2_source


def test_there_are_enough_of_the_usual_stock():
    assert len(ANIMALS) >= 100
    assert {one.group for one in ANIMALS} == {"fish", "shrimp", "snail"}
    assert len(PLANTS) >= 60


@pytest.mark.parametrize("entry", ANIMALS, ids=lambda one: one.name)
def test_an_animal_has_sane_sourced_limits(entry):
    assert 4 <= entry.tolerable_c.low <= entry.comfortable_c.low
    assert entry.comfortable_c.high <= entry.tolerable_c.high <= 32
    assert entry.comfortable_c.high - entry.comfortable_c.low >= 3, "no alarm in an ordinary tank"
    assert entry.tolerable_c.high - entry.tolerable_c.low >= 7
    assert entry.comfortable_c.source and entry.tolerable_c.source and entry.co2_source
    assert entry.co2_comfortable_mg_l < entry.co2_tolerable_mg_l
    assert entry.vernacular


@pytest.mark.parametrize("entry", PLANTS, ids=lambda one: one.name)
def test_a_plant_has_demand_height_and_source(entry):
    assert 0.5 <= entry.height_cm.low < entry.height_cm.high <= 200
    assert entry.height_cm.source and entry.vernacular


def test_no_name_stands_for_two_species():
    table.check_names((ANIMALS, PLANTS))
    with pytest.raises(WrongRowError, match="stands for"):
        table.check_names((ANIMALS, [table.read_animals([HEAD, GOOD.replace(
            "Danio rerio", "Danio invented")], SOURCES)[0]]))  # fmt: skip


def test_every_source_is_used_and_says_whether_it_was_read():
    rows = csv.DictReader((Path(table.__file__).parent / "animals.csv").open("r", encoding="utf-8"))
    used = {
        key.strip()
        for row in rows
        for column in ("comfortable_source", "tolerable_source", "co2_source")
        for key in row[column].split(";")
    }
    assert used == set(SOURCES)
    assert all("from memory" in text or "(abstract" in text for text in SOURCES.values())


@pytest.mark.parametrize(
    ("cell", "wrong", "message"),
    [
        ("Danio rerio", "zebrafish", "genus and species"),
        ("fish", "crab", "group is 'crab'"),
        (",20,28,", ",28,20,", "comfortable_high_c is '20'; allowed: more than 28"),
        (",20,28,", ",17,28,", "contains the comfortable"),
        (",20,28,", ",20,82,", "comfortable_high_c is '82'"),
        (",20,28,", ",68F,28,", "comfortable_low_c is '68F'"),
        (",2,20,", ",,20,", "gh_low_dgh is ''"),
        (",30,34,", ",35,34,", "co2_comfortable_mg_l is '35'"),
        (",30,34,practice", ",30,34,hearsay", "co2_source is 'hearsay'"),
        (",no", ",perhaps", "air_breather is 'perhaps'"),
        (",no", "", "too many cells or too few"),
        (",no", ",no,more", "too many cells or too few"),
    ],
)
def test_a_wrong_row_names_itself(cell, wrong, message):
    assert table.read_animals([HEAD, GOOD], SOURCES)[0].comfortable_c.high == 28
    with pytest.raises(WrongRowError, match=message):
        table.read_animals([HEAD, GOOD.replace(cell, wrong)], SOURCES)


@pytest.mark.parametrize(
    ("cell", "wrong", "message"),
    [
        ("high", "dazzling", "light is 'dazzling'"),
        ("needed", "plenty", "co2 is 'plenty'"),
        ("15,40", "40,15", "height_high_cm is '15'"),
        ("back", "shelf", "place is 'shelf'"),
    ],
)
def test_a_wrong_plant_names_itself(cell, wrong, message):
    assert table.read_plants([PLANT_HEAD, GOOD_PLANT], SOURCES)[0].height_cm.high == 40
    with pytest.raises(WrongRowError, match=message):
        table.read_plants([PLANT_HEAD, GOOD_PLANT.replace(cell, wrong)], SOURCES)


ORDINARY = (
    "Corydoras aeneus", "Trigonostigma heteromorpha", "Crossocheilus oblongus", "Oryzias latipes",
    "Pethia conchonius", "Tanichthys albonubes", "Otocinclus vittatus", "Paracheirodon innesi",
    "Neocaridina davidi", "Poecilia reticulata",
)  # fmt: skip


def test_an_ordinary_mixed_tank_tolerates_24_to_26():
    stock = [Stock(name, 6) for name in ORDINARY]
    shared = tolerable_range(stock)
    assert shared.low_c <= 23 and shared.high_c >= 27
    assert not comfortable_range(stock).too_narrow


# Against published limits, each from its abstract.

CHRONIC = {"Betta splendens": (10.0, 17.5), "Pristella maxillaris": (13.2, 16.5),
           "Corydoras aeneus": (12.7, 14.5)}  # fmt: skip
"""Loss of equilibrium on cooling by 1 °C a day, and onset of lower activity and feeding, °C.

Leggatt et al. 2025, Can. J. Zool. 103:1-7.
"""


@pytest.mark.parametrize("name", CHRONIC)
def test_the_lower_limit_lies_above_where_fish_slow_down(name):
    lost, slow = CHRONIC[name]
    assert lost < slow <= species(name).tolerable_c.low


CRITICAL = {"Carassius auratus": (6.54, 33.91), "Puntigrus tetrazona": (13.94, 33.91),
            "Corydoras paleatus": (13.94, 33.91), "Poecilia reticulata": (13.94, 39.71),
            "Danio rerio": (13.94, 33.91), "Trichopodus trichopterus": (13.94, 33.91),
            "Pterophyllum scalare": (13.94, 36.9), "Poecilia latipinna": (13.94, 33.91),
            "Hypostomus plecostomus": (13.94, 33.91), "Garra rufa": (13.94, 33.91)}  # fmt: skip
"""Critical thermal minimum and maximum, °C, the least favourable of those reported.

Yanar, Erdoğan & Kumlu 2019, Aquaculture 501:382-386, thirteen species acclimated to 20, 24 and
28 °C: minima from 2.55-6.54 (goldfish) to 11.66-13.94 (tiger barb), maxima from 33.91-37.51
(peppered corydoras) to 39.71-41.80 (guppy). Where the abstract gives no figure of a species, the
worst of all species counts; of angelfish the least maximum of Pérez, Díaz & Espina 2003.
"""


@pytest.mark.parametrize("name", CRITICAL)
def test_the_tolerable_range_lies_well_within_the_critical_one(name):
    least, most = CRITICAL[name]
    listed = species(name).tolerable_c
    assert listed.high <= most - 2
    if name != "Carassius auratus":  # overwinters in ponds, by acclimation to less than 20 °C
        assert listed.low >= least


def test_angelfish_are_comfortable_up_to_30():
    """Preferred 29.0 to 31.1 °C, recommended not above 30: Pérez, Díaz & Espina 2003."""
    angelfish = species("Pterophyllum scalare")
    assert angelfish.comfortable_c.high == 30
    assert 29.0 <= angelfish.comfortable_c.high <= 31.1 <= angelfish.tolerable_c.high


def test_cherry_shrimps_are_comfortable_at_28_and_do_not_tolerate_32():
    """Good growth at 24 and 28 °C, eggs lost at 32 °C: Tropea, Stumpf & López Greco 2015."""
    shrimp = species("Neocaridina davidi")
    assert shrimp.comfortable_c.low < 24 < 28 <= shrimp.comfortable_c.high
    assert shrimp.tolerable_c.high < 32


def test_co2_ceilings_lie_far_below_what_kills_warm_water_fish():
    """No death of common carp and channel catfish in 24 h below 225 mg/L: Treanor et al. 2020.

    J. Fish Wildl. Manag. 11:463-475, doi:10.3996/jfwm-20-012 (abstract).
    """
    assert max(one.co2_tolerable_mg_l for one in ANIMALS) < 225 / 5


LABYRINTH_AND_ARMOURED = ("Betta", "Trichogaster", "Trichopodus", "Trichopsis", "Macropodus",
                          "Helostoma", "Corydoras", "Misgurnus")  # fmt: skip


def test_fishes_that_take_air_are_marked():
    """Labyrinth fishes, armoured catfishes and weather loaches.

    Graham 1997, Air-Breathing Fishes (from memory); McMahon & Burggren 1987, J. Exp. Biol.
    133:371-393, for the weather loach.
    """
    for entry in ANIMALS:
        if entry.name.split()[0] in LABYRINTH_AND_ARMOURED:
            assert entry.air_breather, entry.name
    assert not species("Paracheirodon innesi").air_breather
