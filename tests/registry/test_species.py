"""Species of a tank: gaps filled, what animals share, what is not known."""

import pytest

from service.registry.models.tank import Stock
from service.registry.species.names import species
from service.registry.species.ranges import (
    OWN,
    co2_ceiling,
    comfortable_range,
    is_unknown,
    outer_range,
    range_source,
    resolved,
    tolerable_range,
)


def nobody(stock: Stock) -> bool:
    """No group is new."""
    return False


def limits(stock: Stock) -> tuple[float | None, ...]:
    """Tolerable, comfortable, comfortable, tolerable."""
    filled = resolved(stock)
    return (
        filled.temperature_low_c,
        filled.comfortable_low_c,
        filled.comfortable_high_c,
        filled.temperature_high_c,
    )


@pytest.mark.parametrize("name", ["Danio rerio", "danio  RERIO ", "Brachydanio rerio"])
def test_a_species_is_found_by_any_of_its_scientific_names(name):
    assert species(name).name == "Danio rerio"


def test_an_unlisted_species_is_none():
    assert species("Danio") is None
    assert species("zebrafish") is None


def test_gaps_are_filled_from_the_table():
    assert limits(Stock("Danio rerio", 8)) == (16, 20, 28.5, 31)
    assert resolved(Stock("Danio rerio")).co2_max_mg_l == 34
    assert resolved(Stock("Danio rerio")).co2_comfortable_mg_l == 30
    assert resolved(Stock("Danio rerio")).air_breather is False
    assert resolved(Stock("Planta ignota")) == Stock("Planta ignota")


@pytest.mark.parametrize(
    ("own", "expected"),
    [
        ({"temperature_high_c": 27.0}, (16, 20, 27, 27)),
        ({"temperature_low_c": 18.0, "temperature_high_c": 24.0}, (18, 18, 24, 24)),
        ({"comfortable_high_c": 26.0}, (16, 20, 26, 31)),
        ({"comfortable_high_c": 32.0}, (16, 20, 32, 32)),
        ({"comfortable_low_c": 22.0, "temperature_high_c": 30.0}, (16, 22, 30, 30)),
        ({"comfortable_high_c": 25.0, "temperature_high_c": 26.0}, (16, 20, 25, 26)),
        ({"comfortable_high_c": 27.0, "temperature_high_c": 26.0}, (16, 20, 26, 26)),
    ],
)
def test_own_limits_win_over_the_table(own, expected):
    assert limits(Stock("Danio rerio", 8, **own)) == expected


def test_own_co2_limit_alone_leaves_nothing_to_remark_on():
    filled = resolved(Stock("Danio rerio", co2_max_mg_l=28.0))
    assert (filled.co2_comfortable_mg_l, filled.co2_max_mg_l) == (28.0, 28.0)


def test_where_a_limit_comes_from():
    listed, own = Stock("Danio rerio"), Stock("Danio rerio", temperature_high_c=27.0)
    assert "Thermal biology of zebrafish" in range_source(listed, "above")
    assert range_source(own, "above") == OWN
    assert range_source(own, "above", comfortable=True) == OWN
    assert range_source(own, "below") == range_source(listed, "below")
    assert range_source(Stock("Planta ignota"), "above") == ""


def test_shared_range_names_whose_limit_it_is():
    stock = [
        Stock("Paracheirodon innesi"),
        Stock("Oryzias latipes"),
        Stock("Betta splendens", 0),
    ]
    shared = comfortable_range(stock)
    assert (shared.low_c, shared.low_species) == (20, "Paracheirodon innesi")
    assert (shared.high_c, shared.high_species) == (26, "Paracheirodon innesi")
    assert not shared.too_narrow
    assert (tolerable_range(stock).low_c, tolerable_range(stock).high_c) == (18, 28)


def test_animals_that_share_no_comfortable_temperature_may_share_a_tolerable_one():
    stock = [Stock("Tanichthys albonubes"), Stock("Betta splendens")]
    assert comfortable_range(stock).width_k == 0
    assert comfortable_range(stock).too_narrow
    assert not tolerable_range(stock).too_narrow
    assert (tolerable_range(stock).low_c, tolerable_range(stock).high_c) == (20, 27)


def test_a_range_of_one_kelvin_is_too_narrow_for_two_species_not_for_one():
    pair = [
        Stock("An invented fish", temperature_low_c=20.0, temperature_high_c=24.0),
        Stock("Another of them", temperature_low_c=23.0, temperature_high_c=28.0),
    ]
    assert tolerable_range(pair).too_narrow
    wider = [pair[0], Stock("Another of them", temperature_low_c=22.9, temperature_high_c=28.0)]
    assert not tolerable_range(wider).too_narrow
    alone = [Stock("An invented fish", temperature_low_c=23.5, temperature_high_c=24.0)]
    assert not tolerable_range(alone).too_narrow
    assert (outer_range(pair).low_c, outer_range(pair).high_c) == (20.0, 28.0)


def test_no_animals_share_nothing():
    shared = tolerable_range([Stock("Planta ignota")])
    assert shared.is_open and not shared.too_narrow
    assert (shared.low_species, shared.high_species) == ("", "")
    assert co2_ceiling([], nobody, 0.8) is None


def test_what_is_unknown():
    assert is_unknown(Stock("Planta ignota"))
    assert not is_unknown(Stock("Planta ignota", temperature_low_c=20.0))
    assert not is_unknown(Stock("Danio rerio"))


def test_co2_ceiling_is_the_most_sensitive_animals():
    ceiling = co2_ceiling([Stock("Danio rerio"), Stock("Neocaridina davidi")], nobody, 0.8)
    assert (ceiling.co2_mg_l, ceiling.species, ceiling.newcomer) == (
        28,
        "Neocaridina davidi",
        False,
    )
    assert (ceiling.comfortable_mg_l, ceiling.comfortable_species) == (25, "Neocaridina davidi")


def test_newcomers_get_their_share_of_the_co2_ceiling():
    old, new = Stock("Neocaridina davidi"), Stock("Danio rerio")
    ceiling = co2_ceiling([old, new], lambda stock: stock is new, 0.75)
    assert (ceiling.co2_mg_l, ceiling.species, ceiling.newcomer) == (25.5, "Danio rerio", True)
    assert ceiling.comfortable_mg_l == 22.5
    grown_used = co2_ceiling([old, new], nobody, 0.75)
    assert (grown_used.co2_mg_l, grown_used.newcomer) == (28, False)


def test_an_override_and_an_unlisted_species_count_too():
    ceiling = co2_ceiling(
        [Stock("Planta ignota"), Stock("Danio rerio", co2_max_mg_l=28)], nobody, 0.8
    )
    assert (ceiling.co2_mg_l, ceiling.source) == (28, OWN)
    unlisted = co2_ceiling([Stock("Planta ignota")], nobody, 0.8)
    assert (unlisted.comfortable_mg_l, unlisted.co2_mg_l) == (30, 34)


def test_on_which_side_of_a_range_a_temperature_lies():
    both = tolerable_range([Stock("x", temperature_low_c=20.0, temperature_high_c=26.0)])
    assert [both.side_of(one) for one in (19.9, 20.0, 23.0, 26.0, 26.1)] == [
        "below", "", "", "", "above",
    ]  # fmt: skip
    assert (both.width_k, both.is_open) == (6.0, False)
    assert (both.end_c("above"), both.end_c("below")) == (26.0, 20.0)
    warm = tolerable_range([Stock("x", temperature_low_c=20.0)])
    assert [warm.side_of(one) for one in (19.9, 20.0, 60.0)] == ["below", "", ""]
    cool = tolerable_range([Stock("x", temperature_high_c=26.0)])
    assert [cool.side_of(one) for one in (0.0, 26.0, 26.1)] == ["", "", "above"]
    for half in (warm, cool):
        assert (half.width_k, half.is_open, half.too_narrow) == (None, False, False)
