"""What the ledger tells the registry's event log, in the same transaction."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.advice.engine.ledger import Ledger
from service.advice.engine.recommendation import Severity, State
from service.registry.registry import Registry, open_registry
from tests.advice.cases import HOUR, MINUTE
from tests.advice.test_ledger import at, finding
from tests.derive.pieces import NOON, a_tank


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    registry.put_tank(a_tank())
    yield registry
    registry.close()


def told(registry: Registry) -> list[tuple[str, str, str]]:
    return [
        (event.type.removeprefix("recommendation."), event.data["code"], event.data["state"])
        for event in registry.events()
    ]


def test_opened_and_cleared_are_told_once(registry: Registry) -> None:
    ledger = Ledger(registry)
    ledger.update(at(NOON), [finding("a")])
    ledger.update(at(NOON + MINUTE), [finding("a")])
    ledger.update(at(NOON + HOUR), [finding("b")])
    assert told(registry) == [
        ("opened", "a", "open"),
        ("cleared", "a", "cleared"),
        ("opened", "b", "open"),
    ]
    opened, cleared, _ = registry.events()
    assert opened.subject == cleared.subject == opened.data["id"]
    assert (opened.tank, opened.time) == ("reed", NOON)


def test_a_text_that_moves_with_every_reading_is_no_news(registry: Registry) -> None:
    ledger = Ledger(registry)
    ledger.update(at(NOON), [finding("a", due=NOON + 5 * HOUR)])
    for minutes in range(1, 5):
        moved = finding("a", due=NOON + 5 * HOUR + minutes * MINUTE)
        ledger.update(at(NOON + minutes * MINUTE), [moved])
    assert [type for type, *_ in told(registry)] == ["opened"]


def test_a_new_severity_or_due_time_is_news(registry: Registry) -> None:
    ledger = Ledger(registry)
    ledger.update(at(NOON), [finding("a")])
    ledger.update(at(NOON + MINUTE), [finding("a", Severity.URGENT)])
    due = NOON + 5 * HOUR
    ledger.update(at(NOON + 2 * MINUTE), [finding("a", Severity.URGENT, due=due)])
    ledger.update(at(NOON + 3 * MINUTE), [finding("a", Severity.URGENT, due=due - HOUR)])
    assert [type for type, *_ in told(registry)] == ["opened", "changed", "changed", "changed"]
    assert registry.events()[1].data["severity"] == "urgent"


def test_a_mark_is_told(registry: Registry) -> None:
    ledger = Ledger(registry)
    (one,) = ledger.update(at(NOON), [finding("a")]).opened
    ledger.mark(one.id, State.SNOOZED, NOON + HOUR, now=NOON)
    ledger.update(at(NOON + HOUR), [finding("a")])
    ledger.mark(one.id, State.DONE, now=NOON + HOUR)
    assert told(registry) == [
        ("opened", "a", "open"),
        ("cleared", "a", "snoozed"),
        ("opened", "a", "open"),
        ("cleared", "a", "done"),
    ]


def test_no_event_without_its_recommendation(
    registry: Registry, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise RuntimeError("disk gone between the two")

    monkeypatch.setattr(registry, "add_events", refuse)
    ledger = Ledger(registry)
    with pytest.raises(RuntimeError):
        ledger.update(at(NOON), [finding("a")])
    monkeypatch.undo()
    assert ledger.list("reed") == []
    assert registry.events() == []
