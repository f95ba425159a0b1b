"""A probe that is out of the tank: logged or seen by its jump; what it reads is left out."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

import numpy as np
import pytest

from service.advice.engine.catalogue import evaluate
from service.advice.engine.recommendation import Severity
from service.derive.co2.bound import most_co2_mg_l
from service.derive.inputs import Inputs
from service.derive.loader import load
from service.derive.models.co2 import Co2State
from service.derive.sensors.probe_out import may_have_jumped, probe_out_spans, samples_without
from service.derive.tank_view import tank_view
from service.registry.models.log import LogEntry, LogKind
from service.store.model import Samples, SeriesKey
from service.times import from_us, to_us
from tests.advice.cases import usual_log
from tests.derive.pieces import NOON, a_tank, days_of, entry
from tests.scenarios.memory import MemoryLog, MemoryStore

KEY = SeriesKey("reed", "ph", "ph-1")
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


def ph_with(value: float, begin: datetime, end: datetime, every_min: float = 5.0) -> Samples:
    """The pH of the healthy tank, but for a span in which it reads something else."""
    ph = days_of(NOON)["ph"]
    if every_min < 5:
        time_us = np.arange(ph.time_us[0], to_us(NOON) + 1, round(every_min * 6e7))
        ph = Samples(
            time_us, np.interp(time_us, ph.time_us, ph.value), np.zeros(len(time_us), "i4")
        )
    here = (ph.time_us >= to_us(begin)) & (ph.time_us < to_us(end))
    ph.value[here] = value
    return ph


def spans(
    ph: Samples, *log: LogEntry, now: datetime = NOON
) -> list[tuple[datetime, datetime | None]]:
    return [
        (from_us(one.start_us), None if one.end_us is None else from_us(one.end_us))
        for one in probe_out_spans(KEY, ph, log, to_us(now))
    ]


@pytest.mark.parametrize("buffer", [4.01, 9.18, 10.01])
@pytest.mark.parametrize("every_min", [1.0, 5.0])
def test_a_buffer_is_a_jump_until_the_probe_reads_as_before(
    buffer: float, every_min: float
) -> None:
    begin = NOON - 5 * HOUR
    ph = ph_with(buffer, begin, begin + 20 * MINUTE, every_min)
    ((start, end),) = spans(ph)
    assert start == begin
    assert end == begin + 20 * MINUTE + every_min * MINUTE  # the second reading as before counts
    left = samples_without(ph, probe_out_spans(KEY, ph, (), to_us(NOON)))
    assert not (left.value == buffer).any()


def test_it_lasts_until_it_returns_however_long() -> None:
    begin = NOON - 3 * DAY
    assert spans(ph_with(4.01, begin, NOON + HOUR)) == [(begin, None)]


def test_a_healthy_week_and_a_noisy_one_have_none() -> None:
    ph = days_of(NOON)["ph"]
    assert spans(ph) == []
    ph.value[:] += np.random.default_rng(1).normal(0, 0.1, len(ph))
    assert spans(ph) == []


def test_a_single_value_far_off_is_no_longer_than_itself() -> None:
    begin = NOON - 5 * HOUR
    ((start, end),) = spans(ph_with(4.01, begin, begin + MINUTE))
    assert (start, end) == (begin, begin + 10 * MINUTE)


def test_new_water_and_calibration_explain_a_jump() -> None:
    begin = NOON - 5 * HOUR
    ph = ph_with(9.18, begin, NOON + HOUR)
    assert len(spans(ph)) == 1
    assert spans(ph, entry(LogKind.WATER_CHANGE, begin - 30 * MINUTE, fraction=0.8)) == []
    assert spans(ph, entry(LogKind.CALIBRATION, begin - 10 * MINUTE, quantity="ph")) == []


@pytest.mark.parametrize(("kind", "settles"), [(LogKind.PROBE_BACK, 0), (LogKind.CALIBRATION, 60)])
def test_somebodys_word_ends_it(kind: LogKind, settles: int) -> None:
    begin = NOON - 5 * HOUR
    word = entry(kind, begin + HOUR, quantity="ph")
    assert spans(ph_with(9.18, begin, NOON + HOUR), word) == [
        (begin, begin + HOUR + settles * MINUTE)
    ]


def test_the_log_marks_a_time() -> None:
    ph, at = days_of(NOON)["ph"], NOON - 5 * HOUR
    timed = entry(LogKind.PROBE_OUT, at, minutes=20)
    assert spans(ph, timed) == [(at, at + 20 * MINUTE)]
    until_back = entry(LogKind.PROBE_OUT, at)
    back = entry(LogKind.PROBE_BACK, at + 35 * MINUTE, sensor="PH-1")
    assert spans(ph, until_back, back) == [(at, at + 35 * MINUTE)]
    assert spans(ph, until_back) == [(at, at + 2 * HOUR)]
    assert spans(ph, entry(LogKind.PROBE_OUT, NOON - 5 * MINUTE)) == [(NOON - 5 * MINUTE, None)]
    assert spans(ph, entry(LogKind.PROBE_OUT, at, sensor="other")) == []
    assert spans(ph, entry(LogKind.PROBE_OUT, at, quantity="temperature")) == []


def view_of(
    ph: Samples, *log: LogEntry, days: float = 8, more: Mapping[SeriesKey, Samples] | None = None
) -> Inputs:
    series = {
        SeriesKey("reed", quantity, f"{quantity}-1"): one for quantity, one in days_of(NOON).items()
    }
    store = MemoryStore(series | {KEY: ph} | dict(more or {}))
    store.advance(NOON)
    entries = sorted([*usual_log(), *log], key=lambda one: one.time, reverse=True)
    return load(a_tank(), MemoryLog(entries), store, NOON, days=days)


def test_twenty_minutes_in_the_buffer_close_no_gas() -> None:
    """pH 4.01 would be 13,772 mg/L: more than ten times what water holds."""
    view = tank_view(view_of(ph_with(4.01, NOON - 20 * MINUTE, NOON + MINUTE)))
    findings = evaluate(view)
    assert max(one.severity for one in findings) <= Severity.ADVICE
    assert [one.code for one in findings] == ["probe-out"]
    assert "out of the tank, or being calibrated?" in findings[0].title
    assert view.co2.state is Co2State.UNKNOWN
    assert "out of the tank, or being calibrated?" in view.co2.reasons[0]
    high = view.co2_high
    assert high is not None and high.peak_mg_l < 30


@pytest.mark.parametrize("days", [0, 8])
def test_the_present_value_is_left_out_with_the_reason(days: float) -> None:
    log = entry(LogKind.PROBE_OUT, NOON - 10 * MINUTE)
    inputs = view_of(days_of(NOON)["ph"], log, days=days)
    assert "ph" not in inputs.latest
    assert inputs.why_none("ph") == "the pH probe ph-1 is logged as out of the tank since 11:50"
    jumped = view_of(ph_with(4.01, NOON - 20 * MINUTE, NOON + MINUTE), days=days)
    assert "ph" not in jumped.latest
    assert "being calibrated?" in jumped.why_none("ph")


def test_a_probe_that_is_logged_as_out_is_no_recommendation() -> None:
    log = entry(LogKind.PROBE_OUT, NOON - 21 * MINUTE)
    view = tank_view(view_of(ph_with(4.01, NOON - 20 * MINUTE, NOON + MINUTE), log))
    assert evaluate(view) == []
    assert view.co2.co2 is None


def test_a_second_probe_in_the_buffer_disagrees_with_nobody() -> None:
    """Logged, it is left out of the comparison; the other one counts on."""
    log = entry(LogKind.PROBE_OUT, NOON - 21 * MINUTE, sensor="spare")
    spare = SeriesKey("reed", "ph", "spare")
    for marks, codes in (((), ["sensors-disagree"]), ((log,), [])):
        view = tank_view(view_of(days_of(NOON)["ph"], *marks, more={spare: ph_with(
            4.01, NOON - 20 * MINUTE, NOON + MINUTE)}))  # fmt: skip
        assert [one.code for one in evaluate(view)] == codes
        assert view.co2.co2 is not None


def test_more_than_water_holds_is_no_estimate() -> None:
    """A probe that only ever stood in the buffer: there is no jump to see."""
    ph = days_of(NOON)["ph"]
    ph.value[:] = 4.01
    view = tank_view(view_of(ph))
    assert view.co2.co2 is None and view.co2.state is Co2State.UNKNOWN
    assert "more than the 1" in view.co2.reasons[0]
    assert view.co2_high is None
    assert not [one for one in evaluate(view) if one.severity >= Severity.WARNING]


def test_what_water_holds_follows_altitude_and_temperature() -> None:
    tank = a_tank()
    assert most_co2_mg_l(tank, 15.0) > most_co2_mg_l(tank, 25.0)
    assert most_co2_mg_l(a_tank(altitude_m=2000.0), 25.0) < most_co2_mg_l(tank, 25.0)


@pytest.mark.parametrize("seed", range(40))
def test_hours_without_a_jump_hold_none(seed: int) -> None:
    """What the lowest and highest of each hour rule out is found in no means of 5 min."""
    rng = np.random.default_rng(seed)
    ph = days_of(NOON, days=1)["ph"]
    kept = np.sort(rng.choice(len(ph), size=int(rng.integers(20, len(ph))), replace=False))
    value = ph.value[kept] + rng.normal(0, 0.05, len(kept))
    at = int(rng.integers(5, len(kept) - 5))
    value[at : at + int(rng.integers(1, 9))] += rng.uniform(-1.3, 1.3)
    jumped = Samples(ph.time_us[kept], value, np.zeros(len(kept), "i4"))
    starts = np.flatnonzero(np.diff(jumped.time_us // 3_600_000_000, prepend=-1))
    low, high = (one.reduceat(value, starts) for one in (np.minimum, np.maximum))
    assert may_have_jumped(low, high) or spans(jumped) == []


def test_a_jump_from_one_hour_to_the_next_is_seen_in_their_ends() -> None:
    assert may_have_jumped(np.array([6.5, 7.6, 7.6]), np.array([6.6, 7.7, 7.7]))
    assert not may_have_jumped(np.array([6.5, 7.2, 7.9]), np.array([6.6, 7.3, 8.0]))
    assert not may_have_jumped(np.array([]), np.array([]))
