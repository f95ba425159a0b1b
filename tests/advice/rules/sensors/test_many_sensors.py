"""Tanks with hundreds or thousands of sensors: one recommendation a cause, work in proportion."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import timedelta
from itertools import combinations
from types import FrameType
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.advice.engine.bounds import MOST_PER_RULE, REST
from service.advice.engine.catalogue import evaluate
from service.advice.engine.history.lifecycle import advance
from service.advice.engine.recommendation import Severity
from service.advice.rules.sensors.disagree import furthest_apart
from service.derive.models.tank_view import TankView
from service.derive.sensors.choice import MOST_SENSORS, chosen_series, considered
from service.registry.models.recommendations import State
from service.store.model import Flag, Reading, SeriesInfo, SeriesKey
from service.times import to_us
from tests.advice.cases import found, the, view_with
from tests.advice.conditions import active_conditions
from tests.derive.pieces import NOON, a_tank

QUANTITIES = ("temperature", "ph", "illuminance")


def sensor(
    name: str, value: float, minutes_ago: float, flags: Flag = Flag.NONE, quantity: str = "ph"
) -> SeriesInfo:
    time_us = to_us(NOON) - int(minutes_ago * 60e6)
    key = SeriesKey("reed", quantity, name)
    return SeriesInfo(key, Reading("reed", quantity, name, time_us, value, flags))


def view_of(sensors: Sequence[SeriesInfo]) -> TankView:
    view = view_with()
    return replace(view, sensors=(*view.sensors, *sensors))


def board(count: int, minutes_ago: float, flags: Flag = Flag.NONE) -> list[SeriesInfo]:
    """Sensors of one board: their last readings lie within a minute."""
    return [
        sensor(f"b{n}", 6.0 + n / 1000, minutes_ago + n / count, flags, QUANTITIES[n % 3])
        for n in range(count)
    ]


# -- one recommendation a cause


def test_a_board_that_falls_silent_is_one_recommendation() -> None:
    one = the(view_of(board(5_000, 90)), "sensor-silent")
    assert one.title == "5000 sensors have been silent for 1.5 h"
    assert "light b1" in one.action
    assert "4995 more" in one.action
    assert len(one.evidence) == 5
    assert len(one.action) < 500


def test_boards_that_fall_silent_at_different_times_are_told_apart() -> None:
    findings = found(view_of([*board(3, 90), *board(4, 180)]), "sensor-silent")
    assert sorted(one.title.split()[0] for one in findings) == ["3", "4"]


def test_a_silent_board_that_alone_measures_the_water_is_a_warning() -> None:
    view = replace(view_with(), sensors=tuple(board(6, 90)))
    assert view.tank.animals
    one = the(view, "sensor-silent")
    assert one.severity is Severity.WARNING
    assert one.subject.startswith("temperature ")
    assert "no advice on CO2, light and temperature and oxygen" in one.action


def test_a_group_stays_one_recommendation_while_sensors_join_and_leave() -> None:
    later = sensor("a-first-by-name", 24.0, 62, quantity="temperature")
    groups = ([sensor("x", 6.5, 70)], [sensor("x", 6.5, 70), later], [sensor("x", 6.5, 70)])
    known: list[Any] = []
    for step, group in enumerate(groups):
        view = view_of(group)
        now = view.now + timedelta(minutes=step)
        findings = found(view, "sensor-silent", active_conditions(known))
        known = advance(known, "reed", findings, now)
    assert [one.finding.subject for one in known] == ["ph x"]


@pytest.mark.parametrize(
    ("flag", "code"), [(Flag.STUCK, "sensor-stuck"), (Flag.IMPLAUSIBLE, "sensor-implausible")]
)
def test_many_odd_sensors_are_one_recommendation_and_few_are_each_one(
    flag: Flag, code: str
) -> None:
    assert len(found(view_of(board(3, 2, flag)), code)) == 3
    one = the(view_of(board(40, 2, flag)), code)
    assert one.title.startswith("40 sensors")
    assert "35 more" in one.action


def test_no_rule_opens_more_than_its_bound() -> None:
    """Sensors that fall silent hour by hour have a cause each."""
    lonely = [sensor(f"s{n:03}", 6.5, 90 + 60 * n) for n in range(100)]
    findings = found(view_of(lonely), "sensor-silent")
    assert len(findings) == MOST_PER_RULE
    (rest,) = [one for one in findings if one.subject == REST]
    assert rest.title == f"{100 - MOST_PER_RULE + 1} more of the same: " + (
        "a sensor has not reported for a while"
    )
    assert rest.cautions
    again = found(view_of(lonely), "sensor-silent", frozenset((one.code, one.subject)
                  for one in findings))  # fmt: skip
    assert {one.subject for one in again} == {one.subject for one in findings}


def test_ever_new_causes_do_not_pile_up() -> None:
    """Each minute other sensors are silent: those of before clear at once beyond the bound."""
    known: list[Any] = []
    for minute in range(30):
        lonely = [sensor(f"m{minute}-{n}", 6.5, 90 + 60 * n) for n in range(15)]
        view = view_of(lonely)
        findings = found(view, "sensor-silent")
        known = advance(known, "reed", findings, view.now + timedelta(minutes=minute))
        known = [one for one in known if one.state is State.OPEN]
        assert len(known) <= MOST_PER_RULE


# -- what the store holds beyond the limit


def test_of_too_many_series_the_chosen_ones_and_the_newest_count() -> None:
    tank = a_tank(sensors={"ph": "glass"})
    old = sensor("glass", 6.5, 10_000)
    many = [sensor(f"s{n:05}", 6.5, 1 + n / 100) for n in range(MOST_SENSORS + 500)]
    counted = considered(tank, sorted([*many, old], key=lambda one: one.key))
    assert len(counted) == MOST_SENSORS
    assert old in counted
    assert many[0] in counted
    assert many[-1] not in counted
    assert list(counted) == sorted(counted, key=lambda one: one.key)
    assert considered(tank, many[:5]) == tuple(many[:5])


def test_sensors_that_are_left_out_are_told() -> None:
    (one,) = found(replace(view_with(), sensors_left_out=25_000), "no-advice")
    assert "and 25000 more have reported" in one.action


# -- the work grows in proportion


@given(
    st.lists(
        st.tuples(st.integers(0, 40), st.integers(-5, 5)), max_size=30
    )
)  # fmt: skip
def test_the_pair_furthest_apart_is_that_of_all_pairs(readings: list[tuple[int, int]]) -> None:
    infos = [sensor(f"s{n:02}", value, ago) for n, (ago, value) in enumerate(readings)]
    within_us = 15 * 60_000_000
    apart = [
        abs(one.last.value - other.last.value)
        for one, other in combinations(infos, 2)
        if abs(one.last.time_us - other.last.time_us) <= within_us
    ]
    pair = furthest_apart(infos, within_us)
    if pair is None:
        assert not apart
        return
    one, other = pair
    assert one.key < other.key
    assert abs(one.last.time_us - other.last.time_us) <= within_us
    assert abs(one.last.value - other.last.value) == max(apart)


def steps_of(work: Callable[[], object]) -> int:
    """Lines of the service that are run, each turn of a loop counted."""
    count = 0

    def trace(frame: FrameType, event: str, arg: object) -> Any:
        nonlocal count
        if "/service/" not in frame.f_code.co_filename:
            return None
        count += event == "line"
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        work()
    finally:
        sys.settrace(before)
    return count


def spread(count: int) -> list[SeriesInfo]:
    """Silent each for itself, so that nothing is grouped."""
    return [sensor(f"s{n}", 6.5, 90 + 17 * n) for n in range(count)]


KINDS: dict[str, Callable[[int], list[SeriesInfo]]] = {
    "fresh and far apart": lambda count: [
        sensor(f"s{n}", 5.0 + (n * 7919 % 100) / 50, 1 + n / count) for n in range(count)
    ],
    "silent together": lambda count: board(count, 90),
    "silent one by one": spread,
    "stuck": lambda count: board(count, 2, Flag.STUCK),
    "implausible": lambda count: board(count, 2, Flag.IMPLAUSIBLE),
}


@pytest.mark.parametrize("kind", KINDS)
def test_twice_the_sensors_are_no_more_than_twice_the_work(kind: str) -> None:
    """Of a whole evaluation; what does not depend on the sensors is taken away first."""

    def steps(count: int) -> int:
        view = view_of(KINDS[kind](count))

        def work() -> None:
            for quantity in QUANTITIES:
                chosen_series(view.tank, quantity, view.sensors, view.now)
            findings = evaluate(view)
            advance(advance([], "reed", findings, view.now), "reed", [], view.now)

        return steps_of(work)

    base, once, twice = (steps(count) for count in (100, 200, 400))
    # 100 more sensors, then 200 more: linear work gives 2, work on pairs 4, n log n some 2.1.
    assert (twice - once) <= 2.3 * max(once - base, 1)
