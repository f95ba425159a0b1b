"""No dose is asked for that its own estimate says is not needed; too much is caught."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.registry.models.log import LogEntry, LogKind
from service.registry.models.plans import DosePlan, Salt
from service.registry.models.tank import Tank
from tests.advice.cases import DAY, HOUR, found, the, view_with
from tests.derive.pieces import NOON, a_tank, entry

MACRO = DosePlan("macro", 10.0, salts=(Salt("KNO3", 50.0),), bottle_ml=500.0)
"""18 mL in 180 L: 6.1 mg/L NO3 and 3.9 mg/L K (from IUPAC weights)."""


def tank() -> Tank:
    return a_tank(doses=(MACRO,))


def log(no3_mg_l: float | None, k_mg_l: float = 20.0, days: float = 0.5) -> list[LogEntry]:
    """A change yesterday, doses each week before, and tests around it."""
    weeks = [NOON - 7 * n * DAY - DAY for n in range(10)]
    made = [entry(LogKind.WATER_CHANGE, at, fraction=0.5) for at in weeks]
    made += [entry(LogKind.DOSE, at + HOUR, name="macro", ml=18.0) for at in weeks[1:]]
    if no3_mg_l is not None:
        made += [
            entry(LogKind.NUTRIENT_TEST, at, no3_mg_l=no3_mg_l, k_mg_l=k_mg_l)
            for at in (NOON - timedelta(days=days), NOON - timedelta(days=days + 0.1),
                       NOON - timedelta(days=days + 14), NOON - timedelta(days=days + 21))
        ]  # fmt: skip
    return sorted(made, key=lambda one: one.time, reverse=True)


def test_without_a_test_nothing_is_known_and_the_plan_counts() -> None:
    view = view_with(tank(), log=log(None))
    assert found(view, "dose-not-needed") == []
    assert the(view, "dose-due").subject == "macro"


def test_a_dose_is_asked_for_where_little_is_left() -> None:
    view = view_with(tank(), log=log(4.0))
    assert found(view, "dose-not-needed") == []
    assert the(view, "dose-due").subject == "macro"


def test_a_dose_is_left_out_where_enough_is_left() -> None:
    """35 mg/L of both: more than plants take up in a week, 5 mg/L/d of nitrate at most."""
    view = view_with(tank(), log=log(35.0, 25.0))
    one = the(view, "dose-not-needed")
    assert "will still be" in one.action or "above" in one.action
    assert found(view, "dose-due") == []


def test_a_dose_that_lifts_a_nutrient_above_its_ceiling_is_too_much() -> None:
    """NO3 of 100 mg/L: above the 44 mg/L of Camargo et al. 2005 before any dose."""
    one = the(view_with(tank(), log=log(100.0)), "dose-not-needed")
    assert "above 44" in one.action
    assert "Camargo" in one.evidence[0].source


def test_a_dose_left_out_on_advice_was_not_skipped() -> None:
    late = NOON + 2.5 * DAY
    view = view_with(tank(), late, log=log(60.0))
    assert found(view, "dose-skipped") == []
    assert the(view_with(tank(), late, log=log(4.0)), "dose-skipped").subject == "macro"


@pytest.mark.parametrize("level", [4.0, 100.0])
def test_one_or_the_other_never_both(level: float) -> None:
    view = view_with(tank(), log=log(level))
    codes = {"dose-due", "dose-not-needed"}
    assert sum(len(found(view, code)) for code in codes) == 1
