"""The ledger: ids that last, marks, holds, closing by log entries, folding; on a real database."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from service.advice.engine.history.change_events import ChangeKind
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.history.lifecycle import MOST_UNFOLDED
from service.advice.engine.levers import LESS_GAS, MORE_GAS
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.derive.models.tank_view import TankView
from service.errors import ConflictError, InvalidInputError, NotFoundError
from service.registry.database.cache import DatabaseState
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.recommendations import State
from service.registry.registry import Registry
from tests.advice.cases import DAY, HOUR, MINUTE, view_with
from tests.derive.pieces import NOON, a_tank, entry
from tests.registries import sqlite_registry


def finding(
    code: str = "co2-high", severity: Severity = Severity.ADVICE, **other: object
) -> Finding:
    return Finding(
        code, severity, f"{code} title", str(other.pop("action", f"{code} action")),
        (Evidence("as seen", "co2", 12.0, "mg/L", 20.0, NOON, "sensor a"),), **other,  # type: ignore[arg-type]
    )  # fmt: skip


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    registry = sqlite_registry(tmp_path / "registry.db")
    registry.put_tank(a_tank())
    yield registry
    registry.close()


@pytest.fixture
def ledger(registry: Registry) -> Ledger:
    return Ledger(registry)


VIEW = view_with(log=[])


def at(moment: datetime, *log: LogEntry) -> TankView:
    return replace(VIEW, now=moment, log=log)


def test_keeps_its_id_while_the_cause_lasts_and_gives_a_new_one_after(ledger: Ledger) -> None:
    first = ledger.update(at(NOON), [finding()])
    (one,) = first.of(ChangeKind.OPENED)
    again = ledger.update(at(NOON + HOUR), [finding()])
    assert (again.of(ChangeKind.OPENED), again.of(ChangeKind.CLEARED)) == ((), ())
    (same,) = again.current
    assert same.id == one.id
    assert (same.first_seen, same.last_seen) == (NOON, NOON + HOUR)
    gone = ledger.update(at(NOON + 2 * HOUR), [])
    assert [each.state for each in gone.of(ChangeKind.CLEARED)] == [State.CLEARED]
    assert gone.current == ()
    (new,) = ledger.update(at(NOON + 3 * HOUR), [finding()]).of(ChangeKind.OPENED)
    assert new.id != one.id


@contextmanager
def written(registry: Registry) -> Iterator[list[tuple[str, list[str]]]]:
    """The verb of each statement that writes, with the ids of its rows, while the block runs."""
    found: list[tuple[str, list[str]]] = []

    def note(_c: object, _k: object, sql: str, given: Any, _x: object, many: bool) -> None:
        verb = sql.split()[0]
        if verb in ("INSERT", "UPDATE", "DELETE"):
            texts = [str(value) for row in (given if many else [given]) for value in row]
            found.append((verb, [text for text in texts if text in ids]))

    ids = {one.id for one in Ledger(registry).list()}
    event.listen(registry.engine, "before_cursor_execute", note)
    try:
        yield found
    finally:
        event.remove(registry.engine, "before_cursor_execute", note)


def test_an_evaluation_in_which_nothing_changed_writes_nothing(
    ledger: Ledger, registry: Registry
) -> None:
    full = finding(
        subject="a", due=NOON + DAY, cautions=("x",), since=NOON, moves=(MORE_GAS,),
        amounts=(Amount("water", 0.1 + 0.2, "L"),), closed_by=("water_change",),
    )  # fmt: skip
    found = [full, *(finding(f"code-{n}") for n in range(MOST_UNFOLDED))]
    ledger.update(at(NOON), found)
    ledger.mark(ledger.list()[0].id, State.SNOOZED, NOON + DAY, now=NOON)
    ledger.update(at(NOON), found)
    before = ledger.list()
    state = DatabaseState(registry.engine)
    unwritten = state.now()
    with written(registry) as writes:
        change = ledger.update(at(NOON), found)
    assert (writes, change.events) == ([], ())
    assert (state.now(), ledger.list()) == (unwritten, before)
    state.close()


def test_only_what_changed_is_written(ledger: Ledger, registry: Registry) -> None:
    ledger.update(at(NOON), [finding("a"), finding("b")])
    ids = {one.finding.code: one.id for one in ledger.list()}
    with written(registry) as writes:
        ledger.update(at(NOON), [finding("a"), finding("b", action="other")])
    assert writes == [("UPDATE", [ids["b"]])]
    assert ledger.get(ids["b"]).finding.action == "other"
    ledger.update(at(NOON + MINUTE), [finding("b", action="other")])  # a is no longer seen
    with written(registry) as writes:  # and stays so within its delay
        ledger.update(at(NOON + 12 * MINUTE), [finding("b", action="other")])
    assert writes == [("UPDATE", [ids["b"]])]
    with written(registry) as writes:
        ledger.mark(ids["b"], State.DONE, now=NOON + MINUTE)
    assert [write for write in writes if write[0] == "UPDATE"] == [("UPDATE", [ids["b"]])]


def test_everything_survives_the_database(ledger: Ledger) -> None:
    full = finding(subject="a b/c", due=NOON + DAY, cautions=("x",), since=NOON, moves=(MORE_GAS,))
    ledger.update(at(NOON), [full])
    (one,) = ledger.list("reed")
    assert one.finding == full
    assert ledger.get(one.id) == one


def test_a_gap_shorter_than_the_hold_does_not_end_it(ledger: Ledger) -> None:
    ledger.update(at(NOON), [finding()])
    for minutes in (10, 20):
        change = ledger.update(at(NOON + minutes * MINUTE), [])
        assert change.of(ChangeKind.CLEARED) == ()
        assert len(change.current) == 1
    assert ledger.update(at(NOON + 25 * MINUTE), [finding()]).of(ChangeKind.OPENED) == ()
    assert len(ledger.update(at(NOON + 56 * MINUTE), []).of(ChangeKind.CLEARED)) == 1


def test_what_is_no_longer_seen_says_so_before_it_clears(ledger: Ledger) -> None:
    ledger.update(at(NOON), [finding(due=NOON + HOUR)])
    (one,) = ledger.update(at(NOON + 5 * MINUTE), []).current
    words, before = one.instruction, one.finding.instruction
    assert words.title == f"No longer seen: {before.title}"
    assert words.action.startswith("Nothing to do now: the latest evaluation did not find it.")
    assert before.action not in words.action and words.cautions == before.cautions
    assert words.due is None
    (back,) = ledger.update(at(NOON + 10 * MINUTE), [finding(due=NOON + HOUR)]).current
    assert back.id == one.id and back.instruction == back.finding.instruction


def test_flapping_input_gives_one_recommendation(ledger: Ledger) -> None:
    opened = 0
    for minute in range(0, 600, 5):
        seen = [finding()] if (minute // 5) % 3 else []
        opened += len(ledger.update(at(NOON + minute * MINUTE), seen).of(ChangeKind.OPENED))
    assert opened == 1


def test_snooze_sleeps_until_its_end(ledger: Ledger) -> None:
    (one,) = ledger.update(at(NOON), [finding()]).of(ChangeKind.OPENED)
    marked = ledger.mark(one.id, State.SNOOZED, NOON + DAY, now=NOON)
    assert marked.state is State.SNOOZED
    quiet = ledger.update(at(NOON + 20 * HOUR), [finding()])
    assert quiet.of(ChangeKind.OPENED) == () and quiet.current[0].state is State.SNOOZED
    awake = ledger.update(at(NOON + 25 * HOUR), [finding()])
    assert [each.id for each in awake.of(ChangeKind.OPENED)] == [one.id]


def test_snooze_ends_when_it_gets_worse(ledger: Ledger) -> None:
    (one,) = ledger.update(at(NOON), [finding()]).of(ChangeKind.OPENED)
    ledger.mark(one.id, State.SNOOZED, NOON + DAY, now=NOON)
    worse = ledger.update(at(NOON + HOUR), [finding(severity=Severity.URGENT)])
    assert [each.id for each in worse.of(ChangeKind.OPENED)] == [one.id]


def test_done_stays_done_while_measures_take_effect_and_comes_back_if_they_don_t(
    ledger: Ledger,
) -> None:
    (one,) = ledger.update(at(NOON), [finding()]).of(ChangeKind.OPENED)
    ledger.mark(one.id, State.DONE, now=NOON)
    assert ledger.update(at(NOON + 20 * HOUR), [finding()]).current == ()
    back = ledger.update(at(NOON + 25 * HOUR), [finding()])
    (new,) = back.of(ChangeKind.OPENED)
    assert new.id != one.id
    assert new.finding.evidence[-1].text == "marked done on 10 Mar 12:00 UTC, and still so"


def test_dismissed_stays_so_as_long_as_the_cause_lasts(ledger: Ledger) -> None:
    (one,) = ledger.update(at(NOON), [finding()]).of(ChangeKind.OPENED)
    ledger.mark(one.id, State.DISMISSED, now=NOON)
    for days in range(1, 20):
        assert ledger.update(at(NOON + days * DAY), [finding()]).of(ChangeKind.OPENED) == ()
    assert ledger.update(at(NOON + 20 * DAY), []).of(ChangeKind.OPENED) == ()
    assert len(ledger.update(at(NOON + 21 * DAY), [finding()]).of(ChangeKind.OPENED)) == 1


def test_a_log_entry_that_does_the_job_closes(ledger: Ledger) -> None:
    due = finding("water-change-due", closed_by=("water-change",), since=NOON - DAY)
    (one,) = ledger.update(at(NOON), [due]).of(ChangeKind.OPENED)
    done = entry(LogKind.WATER_CHANGE, NOON + HOUR, fraction=0.5)
    change = ledger.update(at(NOON + 2 * HOUR, done), [])
    (closed,) = change.of(ChangeKind.CLEARED)
    assert (closed.id, closed.state) == (one.id, State.DONE)
    assert closed.extra["closed_by"] == done.id
    assert len(ledger.update(at(NOON + 9 * DAY), [due]).of(ChangeKind.OPENED)) == 1


def test_fewer_than_six_are_shown_in_full_and_the_rest_is_folded(ledger: Ledger) -> None:
    many = [finding(f"code-{n}", Severity.INFO if n < 5 else Severity.WARNING) for n in range(9)]
    current = ledger.update(at(NOON), many).current
    assert len([one for one in current if not one.folded]) == MOST_UNFOLDED == 5
    assert [one.finding.severity for one in current[:4]] == [Severity.WARNING] * 4
    assert not any(one.folded for one in current[:4])
    (first, *_) = current
    ledger.mark(first.id, State.DONE, now=NOON)
    assert len([one for one in ledger.list("reed") if not one.folded]) == MOST_UNFOLDED


def test_contradicted_one_does_not_linger_in_its_hold(ledger: Ledger) -> None:
    raising = finding("co2-low", moves=(MORE_GAS,))
    lowering = finding("co2-high", Severity.URGENT, moves=(LESS_GAS,))
    ledger.update(at(NOON), [raising])
    change = ledger.update(at(NOON + MINUTE), [lowering])
    assert [one.finding.code for one in change.current] == ["co2-high"]
    assert [one.finding.code for one in change.of(ChangeKind.CLEARED)] == ["co2-low"]


def test_active_conditions_are_known_to_rules(ledger: Ledger) -> None:
    ledger.update(at(NOON), [finding(subject="x")])
    assert ledger.active(["reed", "other"], NOON) == {
        "reed": frozenset({("co2-high", "x")}),
        "other": frozenset(),
    }


def test_marks_that_are_not_allowed(ledger: Ledger) -> None:
    (one,) = ledger.update(at(NOON), [finding()]).of(ChangeKind.OPENED)
    with pytest.raises(NotFoundError, match="'nobody'"):
        ledger.mark("nobody", State.DONE, now=NOON)
    with pytest.raises(InvalidInputError, match="cleared comes by itself"):
        ledger.mark(one.id, State.CLEARED, now=NOON)
    with pytest.raises(InvalidInputError, match="a moment in the future"):
        ledger.mark(one.id, State.SNOOZED, NOON - HOUR, now=NOON)
    ledger.update(at(NOON + 2 * HOUR), [])
    with pytest.raises(ConflictError, match="is cleared already"):
        ledger.mark(one.id, State.DONE, now=NOON + 2 * HOUR)


def test_old_ones_are_deleted_and_standing_ones_stay(ledger: Ledger) -> None:
    ledger.update(at(NOON), [finding("a"), finding("b")])
    ledger.update(at(NOON + HOUR), [finding("b")])
    assert ledger.prune(NOON + timedelta(days=500)) == 1
    assert [one.finding.code for one in ledger.list("reed")] == ["b"]


def test_several_tanks_in_one_go(ledger: Ledger, registry: Registry) -> None:
    registry.put_tank(a_tank(id="fern"))
    fern = replace(at(NOON), tank=a_tank(id="fern"))
    changes = ledger.update_many([(at(NOON), [finding()]), (fern, [finding(), finding("x")])])
    assert {tank: len(change.of(ChangeKind.OPENED)) for tank, change in changes.items()} == {
        "reed": 1,
        "fern": 2,
    }
    assert len(ledger.list("fern")) == 2
