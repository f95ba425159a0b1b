"""Every scenario is played, and what it expects is what comes, when it should come."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from service.advice import cautions
from service.advice.engine.catalogue import RULES
from service.advice.engine.history.lifecycle import MOST_UNFOLDED
from service.advice.engine.recommendation import Severity
from service.advice.engine.work import Who
from service.advice.handover.sheet import TankSheet
from service.store.model import NOT_USABLE
from tests.scenarios.replay import (
    Played,
    most_openings_in_a_day,
    openings_by_week,
    openings_table,
    trail,
)
from tests.scenarios.scenario import FOLDER, Scenario, load_scenario, moment
from tests.scenarios.sensors import readings
from tests.scenarios.shared import played_once

pytestmark = pytest.mark.slow

PATHS = sorted(FOLDER.glob("*.toml"))


Play = Callable[[Path], tuple[Scenario, Played]]


@pytest.fixture(scope="session")
def played(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Play:
    """Play a scenario, once in a run of the tests."""
    own = tmp_path_factory.getbasetemp()
    folder = (own if worker_id == "master" else own.parent) / "scenarios"
    folder.mkdir(exist_ok=True)
    return played_once(folder)


def within(one: Any, window: list[str]) -> bool:
    return moment(window[0]) <= one.time <= moment(window[1])


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_scenario(path: Path, played: Play) -> None:
    scenario, result = played(path)
    story = trail(result)
    taken: set[str] = set()
    for expected in scenario.expect:
        _check(expected, result, taken, story)
    rest = [
        one
        for one in result.happenings
        if one.what == "opened" and one.one.id not in taken and one.key[0] not in scenario.also
    ]
    assert not rest, f"nobody expected {[one.key for one in rest]} in\n{story}"
    assert result.worst <= scenario.worst, story
    assert result.contradictions == []
    assert result.most_unfolded <= MOST_UNFOLDED
    for one in scenario.never:
        _check_never(one, result)
    assert len(result.sheets) == len(scenario.sheets)
    for wanted, page in result.sheets:
        _check_sheet(wanted, page)


def _check_never(never: dict[str, Any], result: Played) -> None:
    """No open recommendation moves a lever so, or has such words, from when to when."""
    assert set(never) <= {"move", "words", "from", "until"}, sorted(never)
    seen = 0
    for now, open_ones in result.standing:
        if not moment(never["from"]) <= now <= moment(never["until"]):
            continue
        seen += 1
        for one in open_ones:
            words = f"{one.instruction.title} {one.instruction.action}"
            moves = () if one.instruction.title.startswith("No longer seen") else one.finding.moves
            assert never.get("move", "none") not in map(str, moves), (now, words)
            assert "words" not in never or not re.search(never["words"], words), (now, words)
    assert seen, never


def _check_sheet(wanted: dict[str, Any], page: TankSheet) -> None:
    """What is not asked of who looks after the tank waits for its keeper."""
    assert set(wanted) <= {"at", "until", "without", "waiting", "has"}, sorted(wanted)
    asked = " ".join(f"{one.title} {one.action}" for one in (*page.now, *page.tasks))
    for words in wanted["without"]:
        assert not re.search(words, asked), (words, asked)
    for words in wanted.get("has", []):
        assert re.search(words, asked), (words, asked)
    left = " ".join(f"{one.title} {one.action}" for one in page.waiting)
    for words in wanted["waiting"]:
        assert re.search(words, left), (words, left)


def _check(expected: dict[str, Any], result: Played, taken: set[str], story: str) -> None:
    known = {"code", "subject", "severity", "rises_to", "opens", "closes", "state"}
    assert set(expected) <= known, sorted(set(expected) - known)
    code, subject = expected["code"], expected.get("subject", "")
    opened = [one for one in result.of("opened", code, subject) if within(one, expected["opens"])]
    assert opened, f"{code} {subject} did not open in {expected['opens']}:\n{story}"
    first = opened[0]
    taken |= {one.one.id for one in opened}
    assert len(opened) == 1, f"{code} flapped:\n{story}"
    assert first.one.finding.severity is Severity[expected["severity"].upper()], story
    mine = [one for one in result.happenings if one.one.id == first.one.id]
    worst = max(one.one.finding.severity for one in mine)
    assert worst is Severity[expected.get("rises_to", expected["severity"]).upper()], story
    closed = [one for one in mine if one.what == "closed"]
    if "closes" in expected:
        assert closed and within(closed[-1], expected["closes"]), f"{code} did not close:\n{story}"
        assert closed[-1].one.state.value == expected["state"], story
    else:
        assert not closed, f"{code} closed at {closed[-1].time}:\n{story}"


def test_there_are_enough_scenarios_and_every_rule_opens_and_closes_in_one(played: Play) -> None:
    opened: set[str] = set()
    closed: set[str] = set()
    for path in PATHS:
        _, result = played(path)
        opened |= {one.key[0] for one in result.happenings if one.what == "opened"}
        closed |= {one.key[0] for one in result.happenings if one.what == "closed"}
    assert len(PATHS) >= 25
    codes = {rule.code for rule in RULES}
    assert codes - opened == set()
    assert codes - closed == set()


def test_thirty_quiet_days_give_reminders_and_no_warning(played: Play) -> None:
    scenario, result = played(FOLDER / "quiet-month.toml")
    assert scenario.days == 30
    assert result.worst <= Severity.ADVICE
    assert {one.key[0] for one in result.happenings} <= {"water-change-due", "dose-due"}
    changes = result.of("opened", "water-change-due")
    gaps = {b.time - a.time for a, b in pairwise(changes)}
    assert gaps == {timedelta(days=7)}


def test_thirty_noisy_days_give_the_same_reminders_and_nothing_flaps(played: Play) -> None:
    """Noise, steps, gaps and single impossible values of sound sensors are no news."""
    scenario, result = played(FOLDER / "noisy-month.toml")
    assert scenario.days == 30
    assert result.worst <= Severity.ADVICE
    assert {one.key[0] for one in result.happenings} <= {"water-change-due", "dose-due"}
    assert most_openings_in_a_day(result) <= 2
    weeks = openings_by_week(result)
    assert all(codes.total() <= 2 for codes in weeks.values()), openings_table(result)


def test_the_noise_of_the_noisy_days_is_flagged_as_the_service_would() -> None:
    scenario = load_scenario(FOLDER / "noisy-month.toml")
    for key, one in readings(scenario).items():
        impossible = one.value < -1
        assert impossible.any(), key
        assert (one.flags[impossible] & int(NOT_USABLE)).all(), key
        assert np.diff(one.time_us).max() > 20 * 60e6, key


def test_every_sentence_is_whole_and_plain(played: Play) -> None:
    """No doubled blanks, no "None" or "nan" that slipped into a text, every action a sentence."""
    for path in PATHS:
        for one in played(path)[1].happenings:
            finding = one.one.finding
            for text in (finding.title, finding.action, *(each.text for each in finding.evidence)):
                assert not re.search(r"  |\bNone\b|\bnan\b|\binf\b|\{|\}", text), text
            assert finding.action.endswith("."), finding.action
            assert finding.evidence
            assert 0 < finding.confidence <= 1


NEEDS_CAUTION = {
    "GAS": r"needle valve|CO2 to come on|cylinder",
    "MAINS": r"heater|[Dd]im the lamp|[Ss]witch|[Tt]imer|[Ff]ilter |plug"
    r"|air stone|sponge|[Cc]ut back|Change \d",
    "NEW_WATER": r"[Cc]hang(?:e|ing) [\d.]+ L|tap water",
    "CHEMICALS": r"KHCO3|buffers?\b|\bGive \d|Test KH|Dissolve",
}
"""Words of an action and the caution that must stand beside them. Our choice."""

FOR_THE_KEEPER = r"needle valve|regulator|timer|is set to|half of the media|[Cc]alibrate"
"""Words of work that nobody but the tank keeper does. Our choice."""


def test_what_can_hurt_stands_beside_its_caution(played: Play) -> None:
    """Nobody is sent to the gas, the mains or the chemicals without the usual caution."""
    seen: set[str] = set()
    for path in PATHS:
        for one in played(path)[1].happenings:
            finding = one.one.finding
            for name, words in NEEDS_CAUTION.items():
                if re.search(words, finding.instruction.action):
                    seen.add(name)
                    assert getattr(cautions, name) in finding.cautions, (
                        name,
                        finding.code,
                        finding.instruction.action,
                    )
            if finding.who is Who.ANYONE:
                assert not re.search(FOR_THE_KEEPER, finding.action), finding.action
    assert seen == set(NEEDS_CAUTION)


def test_a_scenario_with_a_slip_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "slip.toml"
    path.write_text('title = "x"\ndays = 1\nworts = "advice"\n')
    with pytest.raises(AssertionError, match="worts"):
        load_scenario(path)
