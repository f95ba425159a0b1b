"""Remarks between comfortable and tolerable, and the choice where hardly anything suits all."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.advice.engine.catalogue import RULE_OF
from service.advice.engine.recommendation import Severity
from service.registry.models.tank import Stock
from tests.advice.cases import found, the, view_with, warnings
from tests.derive.pieces import NOON, a_tank
from tests.registry.test_species_table import ORDINARY

NEONS = (Stock("Paracheirodon innesi", 20),)  # comfortable 20 to 26, tolerable 18 to 28 °C


def at(celsius: float, animals: tuple[Stock, ...] = NEONS, **of_days: object):
    return view_with(a_tank(animals=animals), celsius=lambda t: t * 0 + celsius, **of_days)


@pytest.mark.parametrize("celsius", [24.0, 25.0, 26.0])
def test_an_ordinary_mixed_tank_raises_no_warning(celsius: float) -> None:
    stock = tuple(Stock(name, 6) for name in ORDINARY)
    assert warnings(at(celsius, stock)) == []


@pytest.mark.parametrize(("celsius", "side"), [(27.0, "above"), (19.0, "below")])
def test_between_the_limits_there_is_a_remark_and_nothing_to_do(celsius: float, side: str) -> None:
    view = at(celsius)
    one = the(view, "temperature-comfort")
    assert (one.subject, one.severity, one.moves) == (side, Severity.INFO, ())
    assert "Paracheirodon innesi likes" in one.title
    assert "Nothing to do today" in one.action
    assert one.evidence[0].source.startswith("Froese & Pauly")
    assert found(view, "temperature-out") == []
    assert warnings(view) == []


def test_it_needs_half_a_day_and_stays_quiet_at_the_limit() -> None:
    def warm_for(hours: float):
        start = NOON.timestamp() * 1e6 - hours * 3.6e9
        return lambda t: 24.0 + 3.0 * (t >= start)

    tank = a_tank(animals=NEONS)
    assert found(view_with(tank, celsius=warm_for(11)), "temperature-comfort") == []
    assert the(view_with(tank, celsius=warm_for(13)), "temperature-comfort").subject == "above"
    assert found(at(26.0), "temperature-comfort") == []


def test_outside_what_is_tolerable_the_warning_alone_speaks() -> None:
    view = at(28.5)
    assert the(view, "temperature-out").severity is Severity.WARNING
    assert found(view, "temperature-comfort") == []


def test_own_limits_leave_nothing_to_remark_on() -> None:
    own = (replace(NEONS[0], temperature_low_c=20.0, temperature_high_c=29.0),)
    assert found(at(28.0, own), "temperature-comfort") == []
    comfortable = (replace(NEONS[0], comfortable_high_c=28.0),)
    assert found(at(27.5, comfortable), "temperature-comfort") == []


def test_co2_between_the_limits_is_a_remark_and_lowers_nothing() -> None:
    view = view_with(a_tank(animals=NEONS), co2=lambda t: t * 0 + 32.0)
    one = the(view, "co2-comfort")
    assert (one.severity, one.moves) == (Severity.INFO, ())
    assert "above 30 mg/L" in one.action and "tolerate up to 34 mg/L" in one.action
    assert found(view, "co2-high") == []
    above = view_with(a_tank(animals=NEONS), co2=lambda t: t * 0 + 37.0)
    assert found(above, "co2-comfort") == []
    assert the(above, "co2-high").severity >= Severity.WARNING
    own = (replace(NEONS[0], co2_max_mg_l=40.0),)
    quiet = view_with(a_tank(animals=own), co2=lambda t: t * 0 + 32.0)
    assert found(quiet, "co2-comfort") == found(quiet, "co2-high") == []


@pytest.mark.parametrize(("minutes", "stays"), [(130, True), (70, True), (50, False)])
def test_a_remark_on_co2_stays_until_half_its_limit(minutes: float, stays: bool) -> None:
    """The default limit is 120 minutes; a new remark needs all of them."""
    view = view_with(a_tank(animals=NEONS), co2=lambda t: t * 0 + 32.0)
    assert view.co2_uncomfortable is not None
    view = replace(view, co2_uncomfortable=replace(view.co2_uncomfortable, minutes=minutes))
    active = frozenset({("co2-comfort", "")})
    assert bool(found(view, "co2-comfort", active)) is stays
    assert bool(found(view, "co2-comfort")) is (minutes >= 120)


PAIR = (Stock("Tanichthys albonubes", 12), Stock("Betta splendens", 1))


def test_a_community_that_shares_no_comfort_gets_a_choice_and_no_remark() -> None:
    view = at(25.0, PAIR)  # too warm for the one's comfort, tolerable for both
    one = the(view, "shared-range")
    assert one.severity is Severity.INFO
    assert one.subject == "Betta splendens and Tanichthys albonubes"
    assert "as the comfortable temperature of" in one.action and "20 to 27 °C" in one.action
    assert found(view, "temperature-comfort") == []
    assert warnings(view) == []
    assert RULE_OF["shared-range"].settling > timedelta(days=3650)


def test_a_community_that_tolerates_nothing_together_is_told_what_is_still_watched() -> None:
    odd = (
        Stock("Tanichthys albonubes", 5, temperature_low_c=14.0, temperature_high_c=22.0),
        Stock("Symphysodon discus", 2, temperature_low_c=27.0, temperature_high_c=31.0),
    )
    one = the(at(25.0, odd), "shared-range")
    assert "There is no temperature that all animals tolerate" in one.action
    assert "below 14 and above 31 °C" in one.action
    assert warnings(at(25.0, odd)) == []
    assert the(at(32.0, odd), "temperature-out").subject == "above"


def test_own_limits_end_the_choice() -> None:
    settled = (
        replace(PAIR[0], comfortable_high_c=26.0),
        replace(PAIR[1], comfortable_low_c=23.0),
    )
    assert found(at(25.0, settled), "shared-range") == []
    assert found(at(25.0, settled), "temperature-comfort") == []
