"""Rules on fertiliser: due, too much."""

from __future__ import annotations

import pytest

from service.registry.models.log import LogKind
from tests.advice.cases import DAY, HOUR, amount, found, the, usual_log, view_with
from tests.derive.pieces import NOON, a_tank, entry


def test_too_much_by_hand() -> None:
    """54 ml instead of 18: 36 too much; two thirds of the water take it out."""
    log = [*usual_log(), entry(LogKind.DOSE, NOON - DAY, name="macro", ml=36.0)]
    one = the(view_with(log=log), "dose-doubled")
    assert amount(one, "too much") == pytest.approx(36.0)
    assert amount(one, "water that takes it out") == pytest.approx(180 * 2 / 3)


def test_only_this_fertiliser_since_the_last_change_is_counted() -> None:
    others = (
        entry(LogKind.DOSE, NOON - DAY, name="other", ml=90.0),
        entry(LogKind.DOSE, NOON - 4 * DAY, name="macro", ml=90.0),  # the change took it out
        entry(LogKind.DOSE, NOON - 2 * DAY, name="macro", g=90.0),  # planned in ml
    )
    assert found(view_with(log=[*usual_log(), *others]), "dose-doubled") == []
    spelt = entry(LogKind.DOSE, NOON - DAY, name=" MACRO ", ml=18.1)
    one = the(view_with(log=[*usual_log(), *others, spelt]), "dose-doubled")
    assert amount(one, "too much") == pytest.approx(18.1)


def log_with(*more, changed_days_ago: float = 3.0):
    """The usual log with the water change moved."""
    rest = [one for one in usual_log() if one.kind not in (LogKind.WATER_CHANGE, LogKind.DOSE)]
    change = entry(LogKind.WATER_CHANGE, NOON - changed_days_ago * DAY, fraction=0.5)
    return [*rest, change, *more]


def test_doses_after_the_change_in_ml_and_g_for_the_net_volume() -> None:
    change = entry(LogKind.WATER_CHANGE, NOON - HOUR, fraction=0.5)
    macro, iron = found(view_with(log=log_with(change)), "dose-due")
    assert macro.title == "Dose macro: 18 ml"  # 10 ml per 100 L on 180 L
    assert iron.title == "Dose iron: 0.36 g"  # 0.2 g per 100 L
    assert amount(macro, "macro") == pytest.approx(18.0)
    assert amount(iron, "iron") == pytest.approx(0.36)
    assert macro.closed_by == ("dose",)
    assert macro.log is not None and iron.log is not None
    assert macro.log.data == {"name": "macro", "ml": pytest.approx(18.0)}
    assert iron.log.data == {"name": "iron", "g": pytest.approx(0.36)}


def test_where_the_volume_is_not_known_the_log_entry_asks_how_much() -> None:
    change = entry(LogKind.WATER_CHANGE, NOON - HOUR, fraction=0.5)
    unmeasured = a_tank(net_volume_l=None, dimensions=None)
    macro, iron = found(view_with(unmeasured, log=log_with(change)), "dose-due")
    assert (macro.title, iron.title) == (
        "Dose macro: 10 ml per 100 L",
        "Dose iron: 0.2 g per 100 L",
    )
    assert macro.log is not None and iron.log is not None
    assert (macro.log.data, macro.log.asks) == ({"name": "macro"}, {"volume": "ml"})
    assert (iron.log.data, iron.log.asks) == ({"name": "iron"}, {"mass": "g"})
    assert macro.amounts == ()


def test_dose_clears_by_name_and_by_an_unnamed_one() -> None:
    change = entry(LogKind.WATER_CHANGE, NOON - 2 * HOUR, fraction=0.5)
    named = entry(LogKind.DOSE, NOON - HOUR, name="Macro", ml=18.0)
    (left,) = found(view_with(log=log_with(change, named)), "dose-due")
    assert left.subject == "iron"
    every = entry(LogKind.DOSE, NOON - HOUR)
    assert found(view_with(log=log_with(change, every)), "dose-due") == []


def test_dose_is_no_longer_due_after_its_window() -> None:
    assert found(view_with(log=log_with(changed_days_ago=2.5)), "dose-due") == []
    wide = a_tank(thresholds={"dose_window_days": 4.0})
    assert len(found(view_with(wide, log=log_with(changed_days_ago=2.5)), "dose-due")) == 2
