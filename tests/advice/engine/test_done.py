"""Marking as done leaves a log entry with what was done and how much."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from service.advice.engine.catalogue import evaluate
from service.advice.engine.history.done import mark_done, take_back
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import Recommendation
from service.errors import InvalidInputError
from service.registry.models.log import LogKind
from service.registry.models.recommendations import State
from service.registry.registry import Registry
from tests.advice.cases import DAY, usual_log, view_with
from tests.derive.pieces import NOON, a_tank, entry
from tests.registries import sqlite_registry


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    made = sqlite_registry(tmp_path / "registry.db")
    made.put_tank(a_tank())
    yield made
    made.close()


def opened(registry: Registry, code: str, log: list[object]) -> Recommendation:
    view = view_with(log=log)  # type: ignore[arg-type]
    Ledger(registry).update(view, evaluate(view))
    return next(one for one in Ledger(registry).list("reed") if one.finding.code == code)


def overdue(kind: LogKind) -> list[object]:
    """The usual log, with nothing of a kind but long ago."""
    data = {"fraction": 0.5} if kind is LogKind.WATER_CHANGE else {"kh_meq_l": 1.4}
    rest = [one for one in usual_log() if one.kind is not kind]
    return [*rest, entry(kind, NOON - 40 * DAY, **data)]


def test_done_leaves_the_change_in_the_log_once(registry: Registry) -> None:
    one = opened(registry, "water-change-due", overdue(LogKind.WATER_CHANGE))
    after, logged = mark_done(registry, one.id, NOON, by="Invented colleague")
    assert after.state is State.DONE and logged is not None
    (stored,) = registry.log("reed")
    assert (stored.kind, stored.data, stored.by) == (
        LogKind.WATER_CHANGE, {"fraction": 0.5}, "Invented colleague",
    )  # fmt: skip
    assert stored.time == NOON
    _, again = mark_done(registry, one.id, NOON + timedelta(minutes=5))
    assert again is None and registry.log("reed") == [stored]
    assert take_back(registry, one.id, NOON).state is State.OPEN
    assert registry.log("reed") == []
    mark_done(registry, one.id, NOON, {"fraction": 0.3})
    assert registry.log("reed")[0].data == {"fraction": 0.3}


def test_rules_see_what_was_done(registry: Registry) -> None:
    """After "done" no rule asks for the change again, and the doses follow it."""
    log = overdue(LogKind.WATER_CHANGE)
    one = opened(registry, "water-change-due", log)
    _, logged = mark_done(registry, one.id, NOON)
    found = {each.code for each in evaluate(view_with(log=[*log, logged]))}  # type: ignore[list-item]
    assert "water-change-due" not in found and "dose-due" in found


def test_the_missing_number_is_asked_for(registry: Registry) -> None:
    one = opened(registry, "kh-test-due", overdue(LogKind.KH_TEST))
    with pytest.raises(InvalidInputError, match="kh is missing"):
        mark_done(registry, one.id, NOON)
    assert Ledger(registry).get(one.id).state is State.OPEN
    with pytest.raises(InvalidInputError, match="data"):
        mark_done(registry, one.id, NOON, {"kh_meq_l": -3.0})
    assert Ledger(registry).get(one.id).state is State.OPEN and registry.log("reed") == []
    mark_done(registry, one.id, NOON, {"kh_meq_l": 1.2})
    assert registry.log("reed")[0].data == {"kh_meq_l": 1.2}


def test_what_is_no_kind_of_its_own_is_an_observation(registry: Registry) -> None:
    tank = a_tank(thresholds={"kh_test_valid_days": 5.0})
    registry.put_tank(tank)
    view = view_with(tank)
    finding = replace(evaluate(view)[0], log=None, title="Something was seen")
    Ledger(registry).update(view, [finding])
    (one,) = Ledger(registry).list("reed")
    mark_done(registry, one.id, NOON)
    (stored,) = registry.log("reed")
    assert (stored.kind, stored.data) == (LogKind.OBSERVATION, {"done": "Something was seen"})
