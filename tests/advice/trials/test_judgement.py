"""Trials on full simulated tanks: known effect, none, too little, confounded."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta
from typing import Any, cast

import pytest

from service.advice.trials import judgement
from service.advice.trials.judgement import Judgement, Verdict, judge
from service.registry.documents import from_document, to_document
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.trials import Plans, Trial
from tests.advice.trials.simulated import (
    CASES,
    CHANGED,
    TANK,
    log,
    measured_series,
    outcomes,
    tanks,
    trace_of,
    wandering,
    with_gas,
)
from tests.scenarios.memory import MemoryLog, MemoryStore

EARLIER, NOTHING = CASES


def judged(
    store: MemoryStore,
    watched: tuple[str, ...],
    *more: LogEntry,
    days: int = 14,
    earlier_min: int = 60,
    lights_on: time | None = None,
) -> Judgement:
    """What is said so many days after the change."""
    before, after = tanks(replace(EARLIER, earlier_min=earlier_min))
    if lights_on is not None:
        light = replace(after.light, start=lights_on)
        before, after = replace(before, light=light), replace(after, light=light)
    now = CHANGED + timedelta(days=days, hours=1)
    store.advance(now)
    entries = sorted([*log(), *more], key=lambda one: one.time, reverse=True)
    one = Trial(
        "t1",
        TANK,
        "CO2 an hour earlier",
        CHANGED,
        CHANGED + timedelta(days=14),
        watched,
        levers=("gas-times:earlier",),
        before=Plans.of(before),
        after=Plans.of(after),
    )
    return judge(one, after, MemoryLog(entries), cast(Any, store), now)


@pytest.fixture(scope="module")
def store() -> MemoryStore:
    """The CO2 comes on an hour earlier."""
    _, after = tanks(replace(EARLIER, earlier_min=60))
    return MemoryStore(measured_series(trace_of(with_gas(7, after.gas.start), 7), 7))


@pytest.fixture(scope="module")
def still() -> MemoryStore:
    """Nothing is changed."""
    return MemoryStore(measured_series(trace_of(wandering(7), 7), 7))


def entry(kind: LogKind, day: float, **data: Any) -> LogEntry:
    at = CHANGED + timedelta(days=day)
    return LogEntry(f"{kind}-{day}", TANK, kind, at, data)


def test_a_known_effect_is_found_with_its_interval(store: MemoryStore) -> None:
    found = judged(store, ("co2-at-lights-on", "co2-within-target", "dli", "days-to-target"))
    co2, share, dli, reached = found.answers
    assert co2.verdict is Verdict.ROSE
    assert co2.change is not None
    # the same tank without sensors' errors: 5.76 mg/L more with the change than without it
    assert co2.change.low < 5.76 < co2.change.high
    assert co2.sentence.startswith("CO2 at lights-on rose by ")
    assert share.verdict is Verdict.ROSE
    assert " percentage points (" in share.sentence
    assert dli.verdict is Verdict.NO_DIFFERENCE
    assert dli.sentence.endswith("mol/m²/d would have shown.")
    assert reached.verdict is Verdict.REACHED
    assert reached.sentence.endswith(": 1 to 2, since sensors did not show the days before.")
    assert (found.final, found.confounders) == (True, ())
    assert co2.left_out == len([one for one in co2.days if one.value is None]) > 0
    assert co2.days_before + co2.days_after + co2.left_out == len(co2.days) == 14 + 13
    assert all(one.day != found.changed for one in co2.days)
    assert from_document(to_document(found), Judgement) == found


def test_without_an_effect_no_difference_is_seen(still: MemoryStore) -> None:
    found = judged(still, ("co2-at-lights-on", "gas-per-day"), earlier_min=0)
    assert {one.verdict for one in found.answers} == {Verdict.NO_DIFFERENCE}
    assert "no difference seen; a difference of more than" in found.sentence


@pytest.mark.parametrize(("lights_on", "hour"), [(time(10), 12), (time(15), 15)])
def test_the_last_night_is_loaded_to_its_end(
    store: MemoryStore, monkeypatch: pytest.MonkeyPatch, lights_on: time, hour: int
) -> None:
    ends = []
    days_of = judgement._days

    def days(*given: Any) -> Any:
        ends.append(given[4])
        return days_of(*given)

    monkeypatch.setattr(judgement, "_days", days)
    judged(store, ("co2-night-low",), days=15, lights_on=lights_on)
    assert ends[1] == CHANGED + timedelta(days=14, hours=hour)


def test_after_a_few_days_there_is_too_little_to_say(store: MemoryStore) -> None:
    found = judged(store, ("co2-at-lights-on",), days=4)
    [one] = found.answers
    assert (found.final, one.verdict, one.change) == (False, Verdict.TOO_LITTLE, None)
    assert one.sentence == (
        "CO2 at lights-on: too little to say: 2 usable days after the change, 5 are needed."
    )


def test_what_else_changed_is_named_with_its_day(store: MemoryStore) -> None:
    others = (
        entry(LogKind.REPLANT, 3, fraction=0.5),
        entry(LogKind.CALIBRATION, 5, quantity="ph", slope_percent=98.0),
        entry(LogKind.KH_TEST, -40, kh_meq_l=1.43),
        entry(LogKind.KH_TEST, 6, kh_meq_l=1.44),
        entry(LogKind.TRIM, -4, fraction=0.2),
        entry(LogKind.TRIM, 4, fraction=0.2),
        entry(LogKind.DOSE, 7, name="new trace", ml=5.0),
        entry(LogKind.ADJUSTMENT, 0.01, lever="gas-times", before="09:00", after="08:00"),
        entry(LogKind.REPLANT, -30, fraction=0.5),
    )
    found = judged(store, ("co2-at-lights-on",), *others)
    assert [(one.time - CHANGED).days for one in found.confounders] == [3, 5, 7]
    assert found.confounders[0].text == "Replant, 50 %"
    assert found.sentence.endswith(
        "Other things changed as well, so the change may not be the cause."
    )
    light = judged(store, ("dli",), *others)
    assert [(one.time - CHANGED).days for one in light.confounders] == [3, 7]
    assert light.sentence.endswith("Other things changed as well, which may hide a difference.")


def test_the_interval_holds_the_truth_of_simulated_tanks() -> None:
    """``tests/bench/trials.py`` has the same for 500 trials of each kind."""
    effect = replace(EARLIER, watched=("co2-at-lights-on",))
    none = replace(NOTHING, watched=("co2-at-lights-on", "dli"))
    found = [one for case in (effect, none) for one in outcomes(case, 1, seed=40)]
    assert [one.holds for one in found] == [True, True, True]
