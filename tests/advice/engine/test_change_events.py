"""Change events: what counts as a change, and the registry's event log in the same transaction."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.advice.engine.history.change_events import ChangeKind
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.levers import LONGER_LIGHT, SHORTER_LIGHT
from service.advice.engine.recommendation import Amount, Finding, Severity
from service.registry.models.log import LogKind
from service.registry.models.recommendations import State
from service.registry.registry import Registry
from tests.advice.cases import HOUR, MINUTE
from tests.advice.engine.test_ledger import at, finding
from tests.derive.pieces import NOON, a_tank, entry
from tests.registries import sqlite_registry


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    registry = sqlite_registry(tmp_path / "registry.db")
    registry.put_tank(a_tank())
    yield registry
    registry.close()


def logged(registry: Registry) -> list[tuple[str, str, str]]:
    return [
        (event.type.removeprefix("recommendation."), event.data["code"], event.data["state"])
        for event in registry.events()
    ]


def test_opened_and_cleared_are_logged_once(registry: Registry) -> None:
    ledger = Ledger(registry)
    ledger.update(at(NOON), [finding("a")])
    ledger.update(at(NOON + MINUTE), [finding("a")])
    ledger.update(at(NOON + HOUR), [finding("b")])
    assert logged(registry) == [
        ("opened", "a", "open"),
        ("cleared", "a", "cleared"),
        ("opened", "b", "open"),
    ]
    opened, cleared, _ = registry.events()
    assert opened.subject == cleared.subject == opened.data["id"]
    assert (opened.tank, opened.time) == ("reed", NOON)


def test_a_text_that_moves_with_every_reading_is_no_change(registry: Registry) -> None:
    ledger = Ledger(registry)
    ledger.update(at(NOON), [finding("a", due=NOON + 5 * HOUR)])
    for minutes in range(1, 5):
        moved = finding("a", due=NOON + 5 * HOUR + minutes * MINUTE)
        ledger.update(at(NOON + minutes * MINUTE), [moved])
    assert [type for type, *_ in logged(registry)] == ["opened"]


def test_a_new_severity_is_a_change_and_a_due_time_alone_is_none(registry: Registry) -> None:
    ledger = Ledger(registry)
    ledger.update(at(NOON), [finding("a")])
    ledger.update(at(NOON + MINUTE), [finding("a", Severity.URGENT)])
    due = NOON + 5 * HOUR
    for step, moment in enumerate((due, due - HOUR, due + 3 * HOUR, None)):
        ledger.update(at(NOON + (2 + step) * MINUTE), [finding("a", Severity.URGENT, due=moment)])
    assert [type for type, *_ in logged(registry)] == ["opened", "changed"]
    assert registry.events()[1].data["severity"] == "urgent"


def test_a_mark_is_an_event_of_its_own(registry: Registry) -> None:
    ledger = Ledger(registry)
    (one,) = ledger.update(at(NOON), [finding("a")]).of(ChangeKind.OPENED)
    ledger.mark(one.id, State.SNOOZED, NOON + HOUR, now=NOON)
    ledger.update(at(NOON + HOUR), [finding("a")])
    ledger.mark(one.id, State.DONE, now=NOON + HOUR)
    assert logged(registry) == [
        ("opened", "a", "open"),
        ("marked", "a", "snoozed"),
        ("opened", "a", "open"),
        ("marked", "a", "done"),
    ]


def test_marks_of_what_is_not_open_are_events_too(registry: Registry) -> None:
    ledger = Ledger(registry)
    (one,) = ledger.update(at(NOON), [finding("a")]).of(ChangeKind.OPENED)
    ledger.mark(one.id, State.SNOOZED, NOON + HOUR, now=NOON)
    ledger.mark(one.id, State.SNOOZED, NOON + 2 * HOUR, now=NOON)
    ledger.mark(one.id, State.DONE, now=NOON)
    ledger.mark(one.id, State.OPEN, now=NOON)
    assert logged(registry)[1:] == [
        ("marked", "a", "snoozed"),
        ("marked", "a", "snoozed"),
        ("marked", "a", "done"),
        ("opened", "a", "open"),
    ]


def test_a_snoozed_one_whose_cause_goes_away_clears(registry: Registry) -> None:
    ledger = Ledger(registry)
    (one,) = ledger.update(at(NOON), [finding("a")]).of(ChangeKind.OPENED)
    ledger.mark(one.id, State.SNOOZED, NOON + 5 * HOUR, now=NOON)
    change = ledger.update(at(NOON + HOUR), [])
    assert [each.id for each in change.of(ChangeKind.CLEARED)] == [one.id]
    assert logged(registry)[-1] == ("cleared", "a", "cleared")


def test_closed_by_a_log_entry_is_cleared_and_not_marked(registry: Registry) -> None:
    ledger = Ledger(registry)
    ledger.update(at(NOON), [finding("a", closed_by=("water-change",), since=NOON - HOUR)])
    done = entry(LogKind.WATER_CHANGE, NOON + MINUTE, fraction=0.5)
    change = ledger.update(at(NOON + HOUR, done), [])
    assert change.of(ChangeKind.MARKED) == () and len(change.of(ChangeKind.CLEARED)) == 1
    assert logged(registry)[-1] == ("cleared", "a", "done")


def test_small_moves_of_an_amount_add_up(registry: Registry) -> None:
    ledger = Ledger(registry)
    for step in range(13):  # more by 2 L with each evaluation, 24 L in all
        more = finding("a", amounts=(Amount("water", 60.0 + 2 * step, "L"),))
        ledger.update(at(NOON + step * MINUTE), [more])
    assert [kind for kind, *_ in logged(registry)] == ["opened", "changed"]
    assert registry.events()[1].data["amounts"][0]["value"] == 76.0


def test_an_estimate_is_nothing_to_measure_out(registry: Registry) -> None:
    ledger = Ledger(registry)
    for step, left_g in enumerate((200.0, 100.0, 10.0)):
        left = Amount("gas left", left_g, "g", estimated=True)
        ledger.update(at(NOON + step * HOUR), [finding("a", amounts=(left,))])
    assert [kind for kind, *_ in logged(registry)] == ["opened"]


def test_what_calls_for_less_counts_when_it_has_lasted(registry: Registry) -> None:
    """More at once, less after the clear delay; a log entry makes it count at once."""
    ledger = Ledger(registry)
    levels = [Severity.WARNING, Severity.URGENT] * 20
    for step, severity in enumerate(levels):
        change = ledger.update(at(NOON + step * 2 * MINUTE), [finding("a", severity)])
        assert change.current[0].finding.severity is max(levels[: step + 1])
    assert [kind for kind, *_ in logged(registry)] == ["opened", "changed"]
    calm = NOON + 80 * MINUTE
    for minutes in range(0, 40, 2):
        change = ledger.update(at(calm + minutes * MINUTE), [finding("a", Severity.WARNING)])
        lasted = minutes >= 28  # it was urgent two minutes before
        assert (change.current[0].finding.severity is Severity.WARNING) == lasted
    assert [kind for kind, *_ in logged(registry)] == ["opened", "changed", "changed"]
    again = calm + 40 * MINUTE
    ledger.update(at(again), [finding("a", Severity.URGENT)])
    done = entry(LogKind.OBSERVATION, again + MINUTE)
    change = ledger.update(at(again + 2 * MINUTE, done), [finding("a", Severity.WARNING)])
    assert change.current[0].finding.severity is Severity.WARNING


def test_what_comes_back_within_hours_clears_later_each_time(registry: Registry) -> None:
    """It comes for ten minutes each hour, as a sensor does that sends each hour."""
    ledger = Ledger(registry)
    for minutes in range(0, 24 * 60, 5):
        findings = [finding("sensor-silent")] if minutes % 60 < 10 else []
        ledger.update(at(NOON + minutes * MINUTE), findings)
    assert [kind for kind, *_ in logged(registry)] == ["opened", "cleared", "opened"]


def test_a_due_time_that_stays_as_far_ahead_is_no_change(registry: Registry) -> None:
    ledger = Ledger(registry)
    for minute in range(0, 300, 20):
        moment = NOON + minute * MINUTE
        ledger.update(at(moment), [finding("a", due=moment + 24 * HOUR)])
    assert [kind for kind, *_ in logged(registry)] == ["opened"]


def test_another_amount_to_measure_out_is_a_change(registry: Registry) -> None:
    ledger = Ledger(registry)

    def change_of(water_l: float, hot_l: float) -> Finding:
        amounts = (Amount("water", water_l, "L"), Amount("hot water", hot_l, "L"))
        return finding("a", amounts=(*amounts, Amount("time above", 60 * water_l, "min")))

    ledger.update(at(NOON), [change_of(60.0, 4.0)])
    for step, (water_l, hot_l) in enumerate([(60.0, 9.0), (66.0, 9.0), (71.0, 9.0), (75.5, 9.0)]):
        ledger.update(at(NOON + (step + 1) * MINUTE), [change_of(water_l, hot_l)])
    assert [kind for kind, *_ in logged(registry)] == ["opened", "changed"]
    assert registry.events()[1].data["amounts"][0]["value"] == 75.5


def test_another_direction_is_a_change(registry: Registry) -> None:
    ledger = Ledger(registry)
    ledger.update(at(NOON), [finding("a", moves=(LONGER_LIGHT,))])
    ledger.update(at(NOON + MINUTE), [finding("a", moves=(SHORTER_LIGHT,))])
    assert [kind for kind, *_ in logged(registry)] == ["opened", "changed"]


def test_into_and_out_of_the_short_list_is_a_change(registry: Registry) -> None:
    ledger = Ledger(registry)
    five = [finding(f"w-{n}", Severity.WARNING) for n in range(5)]
    ledger.update(at(NOON), [*five[:4], finding("a")])
    ledger.update(at(NOON + MINUTE), [*five, finding("a")])
    assert logged(registry)[5:] == [("changed", "a", "open"), ("opened", "w-4", "open")]
    assert registry.events()[5].data["folded"] is True


def test_what_a_mark_changes_in_others_is_an_event_of_the_next_evaluation(
    registry: Registry,
) -> None:
    """Integrations see the changes of evaluations only, and must not miss this one."""
    ledger = Ledger(registry)
    six = [*(finding(f"w-{n}", Severity.WARNING) for n in range(5)), finding("a")]
    first = ledger.update(at(NOON), six)
    ledger.mark(first.current[0].id, State.DONE, now=NOON)
    assert logged(registry)[6:] == [("marked", first.current[0].finding.code, "done")]
    assert [one.folded for one in ledger.list("reed")] == [False] * 5
    second = ledger.update(at(NOON + MINUTE), six)
    assert [(one.finding.code, one.folded) for one in second.of(ChangeKind.CHANGED)] == [
        ("a", False)
    ]
    assert logged(registry)[7:] == [("changed", "a", "open")]


def test_the_event_log_has_what_the_ledger_returns(registry: Registry) -> None:
    ledger = Ledger(registry)
    steps = [
        [finding("a"), finding("b")],
        [finding("a", Severity.URGENT), finding("c", due=NOON + 5 * HOUR)],
        [finding("c", Severity.URGENT, due=NOON + 9 * HOUR, action="another text")],
    ]
    returned = []
    for step, findings in enumerate(steps):
        change = ledger.update(at(NOON + step * HOUR), findings)
        returned += [(event.type, event.recommendation.id) for event in change.events]
    assert [(event.type, event.subject) for event in registry.events()] == returned
    assert [kind for kind, *_ in logged(registry)] == [
        "opened", "opened", "cleared", "changed", "opened", "cleared", "changed",
    ]  # fmt: skip


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
