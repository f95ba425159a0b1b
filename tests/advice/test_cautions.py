"""Cautions follow from what work meets, whatever rule or task asks for it."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from service.advice import cautions
from service.advice.cautions import cautions_for
from service.advice.closing import USUAL_WAY
from service.advice.engine.catalogue import evaluate
from service.advice.engine.instruction import NumberedCautions, hazards_of, line_of, text_of
from service.advice.engine.recommendation import Amount, Finding, Instruction, Severity
from service.advice.engine.rule import Case
from service.advice.engine.work import Hazard, Who
from service.advice.handover.emergencies import emergencies
from service.registry.models.plans import GasPlan, WaterChangePlan
from service.registry.models.tank import Stock
from tests.advice.cases import the, view_with
from tests.derive.pieces import NOON, a_tank, grid

SHRIMPS = Stock("Neocaridina davidi", 30, temperature_low_c=18.0, temperature_high_c=26.0)
TAP_WATER = {cautions.NEW_WATER, cautions.MAINS, cautions.STOPPED, cautions.HEATER}


def warmer(limit_c: float):  # type: ignore[no-untyped-def]
    return lambda t: np.where(t > grid(NOON, NOON)[0] - 8e9, limit_c, 24.0)


def test_tap_water_against_heat_carries_conditioner_and_steps() -> None:
    """The change that cools a tank of shrimps is a water change like any other."""
    tank = a_tank(animals=(SHRIMPS,), water_change=WaterChangePlan(tap_temperature_c=15.0))
    one = the(view_with(tank, celsius=warmer(28.5)), "temperature-out")
    assert "for tap water of 15 °C, with water conditioner" in one.action
    assert set(one.cautions) >= {*TAP_WATER, cautions.temperature_steps(tank)}
    cold = the(view_with(replace(tank, water_change=WaterChangePlan(tap_temperature_c=30.0)),
                         celsius=warmer(16.5)), "temperature-out")  # fmt: skip
    assert cautions.HOT_TAP in cold.cautions and "copper" in cautions.HOT_TAP


def test_a_third_of_the_water_in_an_emergency_carries_them_too() -> None:
    tank = a_tank(animals=(SHRIMPS,))
    first = emergencies(Case(view_with(tank)))[0]
    assert "change a third of the water (60 L), with water conditioner" in first.action
    assert set(first.cautions) >= {
        *TAP_WATER, cautions.HOT_TAP, cautions.GAS, cautions.temperature_steps(tank),
    }  # fmt: skip


@pytest.mark.parametrize("heated", [True, False])
def test_a_heater_never_runs_dry_and_goes_on_again(heated: bool) -> None:
    said = " ".join(cautions_for([Hazard.NEW_WATER], a_tank(heated=heated)))
    assert "Switch the filter on again" in said
    assert ("must never run dry" in said) is heated
    for one in emergencies(Case(view_with(a_tank(heated=heated)))):
        words = f"{one.title} {one.action} {' '.join(one.cautions)}".lower()
        assert ("heater" not in words) or heated, one.title
        if "unplug the heater" in words:
            assert "plug the heater in again" in words


def test_how_to_close_the_gas_is_said_wherever_it_is_asked_for() -> None:
    for own, way in (("", USUAL_WAY), ("Pull the grey plug.", "Pull the grey plug")):
        tank = a_tank(gas=GasPlan(close=own))
        found = emergencies(Case(view_with(tank)))
        assert any(way[1:] in one.action for one in found)
        gas = view_with(tank, co2=lambda t: np.full(t.shape, 45.0))
        assert f"Close the CO2 cylinder now: {way}." in the(gas, "co2-high").action
    assert "solenoid" in USUAL_WAY and "clockwise by hand" in USUAL_WAY


def test_litres_are_new_water_whatever_the_rule() -> None:
    assert hazards_of([Amount("x", 3.0, "L")]) == (Hazard.NEW_WATER,)
    assert hazards_of([Amount("hot water", 3.0, "L")]) == (Hazard.HOT_WATER,)
    assert hazards_of([Amount("x", 3.0, "mL"), Amount("gas", 3.0, "g")]) == (Hazard.CHEMICALS,)


def test_rules_state_hazards_and_leave_the_words_to_the_engine() -> None:
    """A rule that wrote its own cautions would be a second place for them."""
    view = view_with(celsius=warmer(31.0), co2=lambda t: np.full(t.shape, 45.0))
    for one in evaluate(view):
        assert one.cautions == cautions_for((*one.hazards, *hazards_of(one.amounts)), view.tank)


def test_forms_write_all_of_it_and_refuse_what_they_were_not_given() -> None:
    one = Instruction(title="Title", action="Deed.", cautions=("first", "second"))
    other = Instruction(title="Other", action="Deed.", cautions=("second", "third"))
    assert text_of(one) == "Deed.\n\nBefore you start:\n- first\n- second"
    assert line_of(one) == "Title: Deed. first second"
    numbered = NumberedCautions([one, other])
    assert numbered.texts == ("first", "second", "third")
    assert (numbered.numbers(one), numbered.numbers(other)) == ((1, 2), (2, 3))
    with pytest.raises(KeyError):
        NumberedCautions([one]).numbers(other)
    with pytest.raises(TypeError, match="cautions"):
        Instruction(title="Title", action="Deed.")  # type: ignore[call-arg]


def test_what_is_left_to_the_tank_keeper_stands_at_the_end() -> None:
    one = Finding("x", Severity.INFO, "T", "Look at it.", (), keeper_action="Turn the valve.")
    assert one.instruction.action == "Look at it. Turn the valve."
    assert one.instruction.who is Who.ANYONE
    assert not re.search("valve", one.action)


def test_urgent_advice_names_whom_to_call() -> None:
    tank = a_tank(contact="Invented keeper, extension 12")
    view = view_with(tank, co2=lambda t: np.full(t.shape, 45.0))
    urgent = the(view, "co2-high")
    assert urgent.severity is Severity.URGENT
    assert urgent.instruction.action.endswith(
        "Call the tank keeper: Invented keeper, extension 12."
    )
    others = [one for one in evaluate(view) if one.severity is not Severity.URGENT]
    assert all("extension 12" not in one.instruction.action for one in others)
