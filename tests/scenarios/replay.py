"""Plays weeks of a simulated tank at once: which recommendations came and went, and when.

Simulation, loader, derivation, rules and bookkeeping are the real ones; only the store and
the log are in memory, and every reading is seen (the service sees means over minutes).

Run: python -m tests.scenarios.replay NAME...
"""

from __future__ import annotations

import itertools
import sys
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from typing import Any

from service.advice.engine.catalogue import evaluate
from service.advice.engine.conflicts import contradiction
from service.advice.engine.history.change_events import ChangeKind, change_between
from service.advice.engine.history.done import draft_of, entry_id
from service.advice.engine.history.lifecycle import advance, marked, may_last
from service.advice.engine.recommendation import Recommendation, Severity
from service.advice.handover.sheet import TankSheet, tank_sheet
from service.derive.gas_exchange import FIT_DAYS, gas_exchange
from service.derive.loader import load
from service.derive.models.gas_exchange import GasModel
from service.derive.models.tank_view import TankView
from service.derive.tank_view import Derived, tank_view
from service.registry.models.absence import Absence
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.recommendations import State
from tests.advice.conditions import active_conditions
from tests.advice.one_voice import check_advice, check_sheet
from tests.scenarios.memory import MemoryLog, MemoryStore
from tests.scenarios.scenario import FOLDER, START, Scenario, load_scenario, moment
from tests.scenarios.sensors import readings


@dataclass
class Happening:
    """A recommendation opened, changed or closed at a moment."""

    time: datetime
    what: str
    one: Recommendation

    @property
    def key(self) -> tuple[str, str]:
        return self.one.finding.code, self.one.finding.subject


@dataclass
class Played:
    """What came of a scenario."""

    happenings: list[Happening] = field(default_factory=list)
    most_unfolded: int = 0
    contradictions: list[str] = field(default_factory=list)
    worst: Severity = Severity.INFO
    standing: list[tuple[datetime, tuple[Recommendation, ...]]] = field(default_factory=list)
    sheets: list[tuple[dict[str, Any], TankSheet]] = field(default_factory=list)

    def of(self, what: str, code: str, subject: str | None = None) -> list[Happening]:
        return [
            one
            for one in self.happenings
            if one.what == what
            and one.key[0] == code
            and (subject is None or one.key[1] == subject)
        ]


def play(scenario: Scenario) -> Played:
    """Play a scenario from its first midnight to its last."""
    played = Played()
    store = MemoryStore(readings(scenario))
    log = MemoryLog(scenario.log)
    gas: GasModel | None = None
    before = Derived()
    living: list[Recommendation] = []
    cleared: list[Recommendation] = []
    marks = list(scenario.marks)
    now = START
    while now <= START + timedelta(days=scenario.days):
        tank = scenario.tank_at(now)
        store.advance(now)
        log.clocks = scenario.clocks_at(now)
        inputs = load(tank, log, store, now, reader=store.read)
        view = tank_view(inputs, gas=gas, before=before)
        if scenario.fit_gas and now.time() == time(9):
            gas = gas_exchange(load(tank, log, store, now, days=FIT_DAYS, reader=store.read))
        findings = evaluate(view, active_conditions(living))
        after = advance(living, tank.id, findings, now, view.log, cleared)
        change = change_between(living, after)
        after = list(change.after)
        check_advice(findings, after, view)
        _note(played, change, now, after)
        _write_sheets(played, scenario, view, after)
        living = [_marked(one, marks, now, log) for one in after if may_last(one)]
        cleared += [one for one in after if one.state is State.CLEARED]
        now += timedelta(minutes=scenario.every_min)
    return played


def _note(played: Played, change: Any, now: datetime, after: list[Recommendation]) -> None:
    for what, ones in (
        ("opened", change.of(ChangeKind.OPENED)),
        ("changed", change.of(ChangeKind.CHANGED)),
        ("closed", change.of(ChangeKind.CLEARED)),
    ):
        played.happenings += [Happening(now, what, one) for one in ones]
    open_ones = [one for one in after if one.state is State.OPEN]
    played.standing.append((now, tuple(open_ones)))
    played.most_unfolded = max(played.most_unfolded, sum(not one.folded for one in open_ones))
    played.contradictions += [
        f"{now}: {one.finding.code} and {other.finding.code}: {move}"
        for one, other in itertools.combinations(open_ones, 2)
        if (move := contradiction(one.finding, other.finding))
    ]
    played.worst = max([played.worst, *(one.finding.severity for one in open_ones)])


def _write_sheets(
    played: Played, scenario: Scenario, view: TankView, after: list[Recommendation]
) -> None:
    """The handover sheets that are made at this moment."""
    for one in scenario.sheets:
        if moment(one["at"]) == view.now:
            page = tank_sheet(Absence("", view.now, moment(one["until"])), view, after)
            check_sheet(page)
            played.sheets.append((one, page))


def _marked(
    one: Recommendation, marks: list[dict[str, Any]], now: datetime, log: MemoryLog
) -> Recommendation:
    """What somebody did about it; done leaves its log entry, as it does in the service."""
    for mark in marks:
        if one.finding.code == mark["code"] and now >= moment(mark["at"]) and not mark.get("done"):
            mark["done"] = True
            until = moment(mark["until"]) if "until" in mark else None
            state, draft = State(mark["state"]), draft_of(one)
            if state is State.DONE and not draft.asks:
                kind = LogKind(draft.kind)
                entry = LogEntry(entry_id(one), one.tank, kind, now, draft.data)
                log.entries = sorted([*log.entries, entry], key=lambda each: each.time)[::-1]
            return marked(one, state, now, until)
    return one


def trail(played: Played) -> str:
    """What happened, one line each; for people who write scenarios."""
    lines = []
    for one in played.happenings:
        if one.what == "changed":
            continue
        since = one.time - START
        clock = f"{since.days} {one.time:%H:%M}"
        state = f" {one.one.state}" if one.what == "closed" else f" {one.one.finding.severity.word}"
        lines.append(f"{clock:>9} {one.what:7}{state:10} {'/'.join(filter(None, one.key))}: "
                     f"{one.one.finding.title}")  # fmt: skip
    return "\n".join(lines)


def openings_by_week(played: Played) -> dict[int, Counter[str]]:
    """How often each code opened, by week of the scenario, the first being 1."""
    weeks: dict[int, Counter[str]] = defaultdict(Counter)
    for one in played.happenings:
        if one.what == "opened":
            weeks[(one.time - START).days // 7 + 1][one.key[0]] += 1
    return dict(sorted(weeks.items()))


def most_openings_in_a_day(played: Played) -> int:
    """The most openings of one recommendation (code and subject) on one day."""
    counted = Counter(
        (one.key, one.time.date()) for one in played.happenings if one.what == "opened"
    )
    return max(counted.values(), default=0)


def openings_table(played: Played) -> str:
    """Openings by week, one line each."""
    lines = []
    for week, codes in openings_by_week(played).items():
        each = ", ".join(f"{code} {count}" for code, count in sorted(codes.items()))
        lines.append(f"week {week}: {codes.total()} opened: {each}")
    lines.append(f"at most {most_openings_in_a_day(played)} of one recommendation in a day")
    return "\n".join(lines)


if __name__ == "__main__":
    for name in sys.argv[1:]:
        scenario = load_scenario(FOLDER / f"{name}.toml")
        result = play(scenario)
        sys.stdout.write(f"{scenario.title}\n{trail(result)}\n{openings_table(result)}\n")
