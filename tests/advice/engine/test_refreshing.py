"""When a recommendation is stored of which the figures alone moved: on a real database."""

from __future__ import annotations

from dataclasses import replace
from unittest.mock import Mock

import pytest

from service.advice.engine.history.ledger import Ledger
from service.advice.engine.history.refreshing import FIGURES_STORED_EVERY
from service.advice.engine.levers import MORE_GAS
from service.advice.engine.recommendation import Amount, Evidence, Finding, LogDraft, Severity
from service.advice.engine.scheduler import Scheduler
from service.advice.engine.work import Hazard, Who
from service.clock import FixedClock
from service.errors import RegistryUnavailableError
from service.registry.models.recommendations import State
from service.registry.registry import Registry
from service.store import open_store
from tests.advice.cases import MINUTE, view_with
from tests.derive.pieces import NOON, a_tank
from tests.registries import sqlite_registry


@pytest.fixture
def registry(tmp_path):
    registry = sqlite_registry(tmp_path / "registry.db")
    registry.put_tank(a_tank())
    yield registry
    registry.close()


def finding(minute: int, **other: object) -> Finding:
    """A title and an evidence whose numbers move with each reading."""
    evidence = (Evidence("as seen", "co2", 12.0 + minute / 100, "mg/L", 20.0, NOON),)
    words = {"title": f"CO2 is {12 + minute / 100:.2f} mg/L", "action": "Open the valve."}
    usual = {"code": "invented", "severity": Severity.ADVICE, "evidence": evidence, **words}
    return Finding(**{**usual, **other})  # type: ignore[arg-type]


VIEW = view_with(log=[])


def evaluate(ledger: Ledger, minute: int, *findings: Finding):
    return ledger.update(replace(VIEW, now=NOON + minute * MINUTE), findings)


def test_figures_are_stored_every_few_minutes_and_published_each_time(registry: Registry) -> None:
    ledger = Ledger(registry)
    stored = []
    for minute in range(25):
        (published,) = evaluate(ledger, minute, finding(minute)).current
        assert published.last_seen == NOON + minute * MINUTE
        assert published.finding == finding(minute)
        stored.append((Ledger(registry).list()[0].last_seen - NOON) // MINUTE)
    every = FIGURES_STORED_EVERY // MINUTE
    assert stored == [minute // every * every for minute in range(25)]


def test_figures_of_all_are_stored_together_whenever_each_was_opened(registry: Registry) -> None:
    ledger = Ledger(registry)
    stored = []
    for minute in range(25):
        late = [finding(minute, code="later")] if minute >= 3 else []
        evaluate(ledger, minute, finding(minute), *late)
        seen = {one.finding.code: one.last_seen for one in Ledger(registry).list()}
        stored.append({(time - NOON) // MINUTE for time in seen.values()})
    assert stored[3:10] == [{0, 3}] * 7
    assert stored[10:20] == [{10}] * 10
    assert stored[20:] == [{20}] * 5


def test_figures_are_stored_after_the_clock_was_put_back(registry: Registry) -> None:
    ledger = Ledger(registry)
    for minute in (0, -60, -59):
        evaluate(ledger, minute, finding(minute))
    assert Ledger(registry).list()[0].last_seen == NOON - 60 * MINUTE


@pytest.mark.parametrize(
    "other",
    [
        {"severity": Severity.URGENT},
        {"title": "CO2 is too high: 12.01 mg/L"},
        {"action": "Close the valve."},
        {"amounts": (Amount("water", 30.0, "L"),)},
        {"contact": "the keeper, 0000 2"},
        {"cautions": ("Pressurised gas: open slowly.",)},
        {"hazards": (Hazard.CO2,)},
        {"who": Who.KEEPER},
        {"keeper_action": "Weigh the cylinder."},
        {"refuses": (MORE_GAS,)},
        {"closed_by": ("water_change",)},
        {"log": LogDraft("water_change", {"fraction": 0.5})},
        {"due": NOON},
    ],
)
def test_what_a_person_acts_on_is_stored_at_once(registry: Registry, other) -> None:
    ledger = Ledger(registry)
    evaluate(ledger, 0, finding(0))
    evaluate(ledger, 1, finding(1, **other))
    (stored,) = Ledger(registry).list()
    assert (stored.last_seen, stored.finding) == (NOON + MINUTE, finding(1, **other))


def test_another_number_to_call_is_stored_at_once(registry: Registry) -> None:
    ledger = Ledger(registry)
    for minute in range(3):
        one = finding(minute, contact=f"the keeper, 0000 {minute}")
        evaluate(ledger, minute, one)
        assert Ledger(registry).list()[0].finding.contact == one.contact


def test_when_it_was_seen_last_is_known_to_the_minute_once_it_is_gone(registry: Registry) -> None:
    """It clears as long after that as if each evaluation had been stored."""
    ledger = Ledger(registry)
    for minute in range(8):
        evaluate(ledger, minute, finding(minute))
    evaluate(ledger, 8)
    (gone,) = Ledger(registry).list()
    assert gone.last_seen == NOON + 7 * MINUTE
    evaluate(ledger, 36)
    assert Ledger(registry).get(gone.id).state is State.OPEN
    evaluate(ledger, 37)
    assert Ledger(registry).get(gone.id).state is State.CLEARED


def test_what_could_not_be_stored_is_known_as_before(registry: Registry, monkeypatch) -> None:
    """A transaction that fails takes nothing of what was seen before it."""
    ledger, failure = Ledger(registry), RegistryUnavailableError("full")
    for minute in range(10):
        evaluate(ledger, minute, finding(minute))
    with monkeypatch.context() as patched:
        patched.setattr(registry, "put_recommendations", Mock(side_effect=failure))
        with pytest.raises(RegistryUnavailableError):
            evaluate(ledger, 10, finding(10))
    evaluate(ledger, 11)
    (gone,) = Ledger(registry).list()
    assert gone.last_seen == NOON + 9 * MINUTE


def test_of_a_tank_that_is_no_longer_evaluated_nothing_is_known(registry: Registry) -> None:
    ledger = Ledger(registry)
    for minute in range(8):
        evaluate(ledger, minute, finding(minute))
    ledger.forget("fern")
    ledger.forget("reed")
    evaluate(ledger, 8)
    (gone,) = Ledger(registry).list()
    assert gone.last_seen == NOON


def test_a_deleted_tank_is_forgotten(registry: Registry, tmp_path, monkeypatch) -> None:
    forgotten = []
    monkeypatch.setattr(Ledger, "forget", lambda _, tank: forgotten.append(tank))
    registry.put_tank(a_tank(id="fern"))
    store = open_store(f"sqlite:///{tmp_path}/readings.db")
    scheduler = Scheduler(registry, store, FixedClock(NOON), 60.0, [])
    scheduler.evaluate_all()
    registry.delete_tank("fern")
    scheduler.evaluate_all()
    scheduler.evaluate_all()
    store.close()
    assert forgotten == ["fern"]


def test_what_somebody_marks_meanwhile_counts(registry: Registry) -> None:
    ledger = Ledger(registry)
    for minute in range(5):
        evaluate(ledger, minute, finding(minute))
    (one,) = Ledger(registry).list()
    Ledger(registry).mark(one.id, State.DONE, now=NOON + 5 * MINUTE)
    assert evaluate(ledger, 6, finding(6)).current == ()
    assert Ledger(registry).get(one.id).state is State.DONE


def test_a_database_on_a_server_gets_each_evaluation(registry: Registry, monkeypatch) -> None:
    monkeypatch.setattr(type(registry), "is_file", False)
    ledger = Ledger(registry)
    evaluate(ledger, 0, finding(0))
    evaluate(ledger, 1, finding(1))
    assert Ledger(registry).list()[0].last_seen == NOON + MINUTE
