"""Whom to call: the contact of an absence while it lasts, else the tank's own."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from service.advice.contact import contact_now
from service.advice.engine.catalogue import evaluate
from service.advice.handover.sheet import handover
from service.registry.models.absence import Absence
from tests.advice.cases import view_with
from tests.derive.pieces import NOON, a_tank

DAY = timedelta(days=1)
AT_HOME = "Invented keeper, extension 12"
ABROAD = "Invented keeper, hotel desk, room 3"
TANK = a_tank(contact=AT_HOME)
AWAY = Absence("june", NOON - DAY, NOON + 9 * DAY, contact=ABROAD)


@pytest.mark.parametrize(
    ("absences", "contact"),
    [
        ([], AT_HOME),
        ([AWAY], ABROAD),
        ([Absence("june", NOON - DAY, NOON + DAY)], AT_HOME),
        ([Absence("over", NOON - 3 * DAY, NOON - DAY, contact=ABROAD)], AT_HOME),
        ([Absence("next", NOON + DAY, NOON + 3 * DAY, contact=ABROAD)], AT_HOME),
        ([Absence("other", NOON - DAY, NOON + DAY, tanks=("fern",), contact=ABROAD)], AT_HOME),
        ([Absence("long", NOON - 9 * DAY, NOON + DAY, contact="x"), AWAY], ABROAD),
    ],
)
def test_the_present_absence_goes_before_the_tank(absences: list[Absence], contact: str) -> None:
    assert contact_now(TANK, absences, NOON) == contact


def test_urgent_advice_and_the_sheet_name_the_contact_of_the_absence() -> None:
    view = view_with(TANK, co2=lambda t: np.full(t.shape, 45.0))
    (urgent,) = (one for one in evaluate(view, absences=[AWAY]) if one.code == "co2-high")
    assert urgent.instruction.action.endswith(f"Call the tank keeper: {ABROAD}.")
    (page,) = handover(AWAY, [view], {}, NOON).tanks
    assert page.contact == ABROAD
    (page,) = handover(Absence("", NOON, NOON + DAY), [view], {}, NOON).tanks
    assert page.contact == AT_HOME
