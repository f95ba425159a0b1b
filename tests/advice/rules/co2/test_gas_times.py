"""Rules on the times of the gas: late, early, at night."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from service.advice.engine.recommendation import Severity
from service.derive.models.gas_exchange import GasModel
from service.derive.models.quality import EstimatedValue
from service.registry.models.log import LogKind
from service.registry.models.plans import GasPlan
from tests.advice.cases import amount, found, the, usual_log, view_with
from tests.derive.pieces import NOON, a_tank, entry, gassed, lamp

MORNING = NOON.replace(hour=8)


def test_gas_late_uses_the_fitted_lead() -> None:
    """Gas at 10 with the lamp; a fitted lead of 2 h and a margin of 15 min: 2 h 15 earlier."""
    view = view_with(now=MORNING, co2=lambda t: gassed(t, on=10.0), tank=a_tank(
        gas=replace(a_tank().gas, start=NOON.replace(hour=10).time())
    ))  # fmt: skip
    late = 60 * np.log(23 / 6) / 1.5  # 54 min, and a margin of 15: to five minutes
    assert amount(the(view, "gas-late"), "CO2 on earlier by") == 5 * round((late + 15) / 5)
    lead = GasModel(None, NOON, lead_h=EstimatedValue(2.0, 1.7, 2.4))
    one = the(replace(view, gas=lead), "gas-late")
    assert amount(one, "CO2 on earlier by") == 135.0
    assert "Set CO2 to come on at 07:45" in one.action
    assert any("2.0 h (95 %: 1.7 to 2.4 h)" in each.text for each in one.evidence)


def test_gas_early_says_how_much_later() -> None:
    """Gas at 6, the lamp at 10: in range 186 min before it, of which two margins of 15 are left."""
    view = view_with(now=MORNING, co2=lambda t: gassed(t, on=6.0))
    early = 240 - 60 * np.log(23 / 6) / 1.5
    assert amount(the(view, "gas-early"), "CO2 on later by") == 5 * round((early - 30) / 5)


def test_gas_rules_blame_neither_a_late_lamp_nor_a_water_change() -> None:
    late_lamp = view_with(now=NOON.replace(hour=22), lux=lambda t: lamp(t, on=11.5))
    assert found(late_lamp, "gas-early") == []
    change = entry(LogKind.WATER_CHANGE, NOON.replace(hour=9), fraction=0.5)
    log = [*usual_log(), change]
    slow = lambda t: gassed(t, on=10.0)  # noqa: E731
    assert found(view_with(now=NOON.replace(hour=16), co2=slow, log=log), "gas-late") == []
    assert found(view_with(now=NOON.replace(hour=16), co2=slow), "gas-late") != []


def test_gas_at_night_needs_a_plan_that_closes_the_gas() -> None:
    always = lambda t: np.full(t.shape, 26.0)  # noqa: E731
    one = the(view_with(now=MORNING, co2=always), "gas-at-night")
    assert one.severity is Severity.WARNING
    unswitched = a_tank(gas=GasPlan())
    assert found(view_with(unswitched, MORNING, co2=always), "gas-at-night") == []
