"""Advice does not argue with a running trial; for an animal's sake it does, and breaks it off."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from service.advice.engine.levers import (
    COOLER,
    GAS_EARLIER,
    GAS_LATER,
    LESS_GAS,
    LESS_LIGHT,
    MORE_GAS,
    SHORTER_LIGHT,
    WARMER,
    Move,
)
from service.advice.engine.recommendation import Finding, Severity
from service.advice.trials.holding import held_back
from service.advice.trials.keeping import without_undoing
from service.advice.trials.tried import levers_of, plans_before
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Stock
from service.registry.models.trial_state import TrialState
from service.registry.models.trials import Trial
from service.registry.registry import Registry
from service.store import open_store
from tests.advice.cases import view_with
from tests.derive.pieces import NOON, a_tank
from tests.registries import sqlite_registry

FISH = (Stock("Invented species", 10, co2_max_mg_l=30.0),)


def a_trial(*levers: str) -> Trial:
    begun = NOON - timedelta(days=2)
    return Trial("t", "reed", "tried", begun, begun + timedelta(days=14), ("dli",), levers=levers)


def a_finding(code: str, *moves: Move, severity: Severity = Severity.ADVICE) -> Finding:
    return Finding(code, severity, f"{code} now", "Do it.", (), moves=moves)


@pytest.mark.parametrize(
    ("lever", "move", "held"),
    [
        ("gas-times:earlier", GAS_LATER, True),
        ("gas-times:earlier", GAS_EARLIER, False),
        ("gas-times:earlier", LESS_GAS, False),
        ("gas-times", GAS_EARLIER, True),
        ("light-hours:more", SHORTER_LIGHT, True),
        ("heat:less", WARMER, True),
        ("heat:less", COOLER, False),
    ],
)
def test_what_would_undo_a_trial_waits(lever: str, move: Move, held: bool) -> None:
    view = view_with(a_tank(animals=FISH))
    one, other = a_finding("gas-early", move), a_finding("filter-due")
    found = held_back([one, other], [a_trial(lever)], view)
    assert found.findings == ((other,) if held else (one, other))
    assert found.waiting == ({"t": [one]} if held else {})
    assert found.broken == {}


def test_an_animals_limit_comes_first() -> None:
    high = a_finding("co2-high", LESS_GAS, severity=Severity.WARNING)
    with_fish, without = view_with(a_tank(animals=FISH)), view_with(a_tank(animals=()))
    found = held_back([high], [a_trial("gas-times:earlier")], with_fish)
    assert (found.findings, found.broken) == ((high,), {"t": high})
    assert held_back([high], [a_trial("gas-times:earlier")], without).broken == {}
    assert held_back([high], [a_trial("gas-times:later")], with_fish).broken == {}
    warm = a_finding("temperature-coming", COOLER, *LESS_LIGHT, severity=Severity.URGENT)
    assert held_back([warm], [a_trial("light-hours:more")], with_fish).broken == {"t": warm}
    mild = replace(high, severity=Severity.ADVICE)
    assert held_back([mild], [a_trial("gas-flow:more")], with_fish).waiting == {"t": [mild]}


@pytest.mark.parametrize("code", ["animals-gasping", "a-rule-to-come"])
def test_what_people_saw_of_the_animals_is_never_held(code: str) -> None:
    view = view_with(a_tank(animals=FISH))
    seen = a_finding(code, LESS_GAS, severity=Severity.URGENT)
    for lever in ("gas-flow:more", "gas-times:earlier", "gas-flow"):
        found = held_back([seen], [a_trial(lever)], view)
        assert (found.findings, found.waiting, found.broken) == ((seen,), {}, {"t": seen})
    some = a_finding("animals-gasping", LESS_GAS, severity=Severity.WARNING)
    assert held_back([some], [a_trial("gas-flow:more")], view).broken == {"t": some}


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    made = sqlite_registry(tmp_path / "registry.db")
    yield made
    made.close()


def test_the_trial_says_what_it_holds_and_why_it_was_broken_off(
    registry: Registry, tmp_path: Path
) -> None:
    view = view_with(a_tank(animals=FISH))
    registry.put_tank(view.tank)
    made = registry.add_trial(a_trial("gas-flow:more")).value
    store = open_store(f"sqlite:///{tmp_path / 'readings.db'}")
    less = a_finding("co2-comfort", LESS_GAS)

    def evaluated(*findings: Finding) -> list[Finding]:
        return without_undoing(view, findings, registry.running_trials(), registry, store)

    assert evaluated(less) == []
    [held] = registry.stored_trial("reed", made.id).value.held
    assert (held.code, held.title, held.since) == ("co2-comfort", "co2-comfort now", view.now)
    assert evaluated() == []
    assert registry.stored_trial("reed", made.id).value.held == ()
    high = a_finding("co2-high", LESS_GAS, severity=Severity.URGENT)
    assert evaluated(high, less) == [high, less]
    over = registry.stored_trial("reed", made.id).value
    assert (over.state, over.ended) == (TrialState.BROKEN_OFF, view.now)
    assert over.reason == "an animal's limit comes first: co2-high now"
    assert over.result is not None
    assert registry.running_trials() == []
    store.close()


def test_words_of_an_adjustment_say_which_way_it_went() -> None:
    def levers(lever: str, after: str) -> list[str]:
        data = {"lever": lever, "after": after}
        entry = LogEntry("a", "reed", LogKind.ADJUSTMENT, NOON, data)
        return levers_of([entry], None, None)

    assert levers("gas-flow", "14 % less") == [str(LESS_GAS)]
    assert levers("gas-flow", "14 % more") == [str(MORE_GAS)]
    assert levers("gas-flow", "two bubbles") == ["gas-flow"]


def test_plans_before_two_changes_of_one_moment_are_those_before_the_first() -> None:
    steps = (("8 h from 10:00", "7 h from 10:00"), ("7 h from 10:00", "6 h from 10:00"))
    data = [{"lever": "light-hours", "before": old, "after": new} for old, new in steps]
    oldest_first = [LogEntry("a", "reed", LogKind.ADJUSTMENT, NOON, one) for one in data]
    before = plans_before(a_tank(), oldest_first)
    assert before is not None
    assert before.light.photoperiod_h == 8.0
