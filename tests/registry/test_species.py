"""Species: lookup, gaps filled, what animals share."""

import pytest

from service.registry.models import Stock
from service.registry.species.ranges import co2_ceiling, resolved, shared_temperature_range, species
from service.registry.species.table import SPECIES


def nobody(stock: Stock) -> bool:
    """No group is new."""
    return False


def test_every_species_has_a_range_and_a_source():
    names = [name for entry in SPECIES for name in (entry.name, *entry.synonyms)]
    assert len(SPECIES) >= 12
    assert len(set(names)) == len(names)
    for entry in SPECIES:
        assert 4 <= entry.temperature_low_c < entry.temperature_high_c <= 36, entry.name
        assert entry.temperature_source, entry.name
        assert entry.co2_source, entry.name


@pytest.mark.parametrize("name", ["Danio rerio", "danio  RERIO ", "Brachydanio rerio"])
def test_a_species_is_found_by_any_of_its_names(name):
    assert species(name).name == "Danio rerio"


def test_an_unlisted_species_is_none():
    assert species("Danio") is None


def test_what_a_tank_says_wins_over_the_species():
    stock = Stock("Danio rerio", 8, temperature_high_c=27.0)
    filled = resolved(stock)
    assert (filled.temperature_low_c, filled.temperature_high_c) == (18, 27.0)
    assert filled.co2_max_mg_l == 30
    assert filled.air_breather is False
    assert resolved(Stock("Planta ignota")) == Stock("Planta ignota")


def test_shared_range_names_whose_limit_it_is():
    shared = shared_temperature_range(
        [Stock("Paracheirodon innesi"), Stock("Poecilia reticulata"), Stock("Betta splendens", 0)]
    )
    assert (shared.low_c, shared.low_species) == (20, "Paracheirodon innesi")
    assert (shared.high_c, shared.high_species) == (26, "Paracheirodon innesi")
    assert not shared.contradicts


def test_animals_that_share_no_temperature():
    shared = shared_temperature_range([Stock("Tanichthys albonubes"), Stock("Betta splendens")])
    assert (shared.low_c, shared.high_c) == (24, 22)
    assert shared.contradicts


def test_no_animals_share_nothing():
    shared = shared_temperature_range([Stock("Planta ignota")])
    assert (shared.low_c, shared.low_species, shared.high_c, shared.high_species) == (
        None, "", None, "",
    )  # fmt: skip
    assert not shared.contradicts
    assert co2_ceiling([], nobody, 0.8) is None


def test_co2_ceiling_is_the_most_sensitive_animals():
    ceiling = co2_ceiling([Stock("Danio rerio"), Stock("Neocaridina davidi")], nobody, 0.8)
    assert (ceiling.co2_mg_l, ceiling.species, ceiling.newcomer) == (
        25,
        "Neocaridina davidi",
        False,
    )


def test_newcomers_get_their_share_of_the_co2_ceiling():
    old, new = Stock("Neocaridina davidi"), Stock("Danio rerio")
    ceiling = co2_ceiling([old, new], lambda stock: stock is new, 0.75)
    assert (ceiling.co2_mg_l, ceiling.species, ceiling.newcomer) == (22.5, "Danio rerio", True)
    grown_used = co2_ceiling([old, new], nobody, 0.75)
    assert (grown_used.co2_mg_l, grown_used.newcomer) == (25, False)


def test_an_override_and_an_unlisted_species_count_too():
    ceiling = co2_ceiling(
        [Stock("Planta ignota"), Stock("Danio rerio", co2_max_mg_l=28)], nobody, 0.8
    )
    assert (ceiling.co2_mg_l, ceiling.source) == (28, "set for this tank")
    assert co2_ceiling([Stock("Planta ignota")], nobody, 0.8).co2_mg_l == 30
