"""The rule on the CO2 cylinder."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from service.derive.models.gas_exchange import GasModel
from service.derive.models.quality import EstimatedValue
from service.registry.models.log import LogKind
from service.registry.models.plans import Cylinder
from tests.advice.cases import DAY, amount, found, the, usual_log, view_with
from tests.derive.pieces import NOON, a_tank, entry


def test_cylinder_by_hand() -> None:
    """30 g/d dissolved at half: 60 g/d; 500 g since 5 days leave 200 g, 3.3 days."""
    gas = GasModel(None, NOON, gas_g_per_day=EstimatedValue(30.0, 25.0, 36.0))
    tank = a_tank(cylinder=Cylinder(500.0, date(2026, 3, 5)))
    view = replace(view_with(tank), gas=gas)
    one = the(view, "cylinder-low")
    assert amount(one, "CO2 left") == pytest.approx(200.0)
    assert one.due is not None and one.due.date() == date(2026, 3, 13)
    log = [*usual_log(), entry(LogKind.CYLINDER, NOON - DAY, g=2000.0)]
    assert found(replace(view_with(tank, log=log), gas=gas), "cylinder-low") == []
    assert found(view_with(tank), "cylinder-low") == []  # no fit, no reckoning
