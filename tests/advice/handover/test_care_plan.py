"""The care plan: dated tasks of an absence."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from service.advice import cautions
from service.advice.engine.rule import Case
from service.advice.handover.care_plan import Task, tasks_between
from service.advice.handover.sheet import handover
from service.registry.models.absence import Absence
from service.registry.models.log import LogKind
from service.registry.models.plans import WaterChangePlan
from tests.advice.cases import DAY, HOUR, MINUTE, usual_log, view_with
from tests.derive.pieces import (
    KH_4,
    NOON,
    a_tank,
    entry,
)


def test_evenings_of_four_weeks_stay_evenings_over_the_change_to_summer_time() -> None:
    """Clocks in Amsterdam go forward on 29 March 2026 (EU directive 2000/84/EC)."""
    tank = a_tank(time_zone="Europe/Amsterdam")
    case = Case(view_with(tank))
    start = datetime(2026, 3, 14, tzinfo=UTC)
    tasks = tasks_between(case, start, start + timedelta(days=28))
    changes = [one for one in tasks if one.code == "water-change-due"]
    assert len(changes) == 4
    assert [one.due.hour for one in changes] == [17, 17, 17, 16]  # 18:00 on the wall
    assert [one.day for one in changes] == [
        date(2026, 3, 14) + timedelta(days=7 * n) for n in range(4)
    ]
    looks = [one for one in tasks if one.code == "look"]
    assert len(looks) == 28
    assert all(cautions.ANIMALS in one.cautions for one in looks)


TWO_WEEKS = Absence("a1", NOON + DAY, NOON + 15 * DAY, "the neighbour", (), "Key is next door.")


def tasks(code: str = "", **of_view: object) -> list[Task]:
    case = Case(view_with(**of_view))  # type: ignore[arg-type]
    found = tasks_between(case, TWO_WEEKS.start, TWO_WEEKS.end)
    return [one for one in found if one.code == code] if code else found


def day(one: Task) -> int:
    """Days after the test's noon day."""
    return (one.day - NOON.date()).days


def test_without_a_planned_change_none_comes_round() -> None:
    none = a_tank(water_change=WaterChangePlan(every_days=0))
    assert tasks("water-change-due", tank=none) == []


def test_water_changes_come_round_with_their_doses_after_them() -> None:
    """Last change 3 days ago, every 7 days: on days 4 and 11 of the test."""
    changes = tasks("water-change-due")
    assert [day(one) for one in changes] == [4, 11]
    assert changes[0].title == "Change 90 L (50 %)"
    assert changes[0].amounts[0].value == 90.0
    doses = tasks("dose-due")
    assert [(day(one), one.subject) for one in doses] == [
        (4, "macro"), (4, "iron"), (11, "macro"), (11, "iron"),
    ]  # fmt: skip
    assert all(one.due > changes[0].due for one in doses)
    assert doses[0].title == "Dose macro: 18 ml"


def test_doses_of_the_last_change_are_not_asked_for_beside_those_of_the_next() -> None:
    """A change each day: the first falls on the first evening, and brings its own doses."""
    daily = a_tank(water_change=WaterChangePlan(every_days=1, fraction=0.5))
    log = [one for one in usual_log() if one.kind not in (LogKind.WATER_CHANGE, LogKind.DOSE)]
    log.append(entry(LogKind.WATER_CHANGE, NOON, fraction=0.5))
    doses = [one for one in tasks("dose-due", tank=daily, log=log) if day(one) == 1]
    assert sorted(one.subject for one in doses) == ["iron", "macro"]


def test_an_overdue_change_falls_on_the_first_day() -> None:
    late = [one for one in usual_log() if one.kind is not LogKind.WATER_CHANGE]
    late.append(entry(LogKind.WATER_CHANGE, NOON - 12 * DAY, fraction=0.5))
    assert [day(one) for one in tasks("water-change-due", log=late)] == [1, 8]


def test_every_day_has_its_check_and_all_is_in_order() -> None:
    looks = tasks("look")
    assert [day(one) for one in looks] == list(range(1, 16))
    every = tasks()
    assert [one.due for one in every] == sorted(one.due for one in every)
    assert all(TWO_WEEKS.start <= one.due < TWO_WEEKS.end for one in every)


def test_upkeep_that_can_wait_is_left_to_the_owner() -> None:
    """Pre-filter rinsed 5 days ago, every 14; filter 10 days ago, every 60; calibration 10, 21."""
    assert [day(one) for one in tasks("prefilter-due")] == [9]
    assert tasks("filter-due") == []
    assert tasks("calibration-due") == []
    long_ago = [
        one for one in usual_log() if one.kind not in (LogKind.CALIBRATION, LogKind.FILTER_CLEAN)
    ]
    long_ago.append(entry(LogKind.CALIBRATION, NOON - 37 * DAY, quantity="ph"))
    assert [day(one) for one in tasks("calibration-due", log=long_ago)] == [5]


def test_stems_that_were_never_trimmed_or_in_water_of_unknown_height_are_not_planned() -> None:
    growing = {"stem_growth_cm_week": 7.0, "stem_height_cm": 20.0}
    assert tasks("trim-due", tank=a_tank(thresholds=growing)) == []
    log = [*usual_log(), entry(LogKind.TRIM, NOON - 7 * DAY, fraction=0.3)]
    unmeasured = a_tank(thresholds=growing, dimensions=None, net_volume_l=180.0)
    assert tasks("trim-due", tank=unmeasured, log=log) == []


def test_stems_and_cylinder_are_planned_in_time() -> None:
    tank = a_tank(thresholds={"stem_growth_cm_week": 7.0, "stem_height_cm": 20.0})
    log = [*usual_log(), entry(LogKind.TRIM, NOON - 7 * DAY, fraction=0.3)]
    # 20 cm and 1 cm a day up to 42 - 3 cm: 19 days after the trim
    assert [day(one) for one in tasks("trim-due", tank=tank, log=log)] == [12]
    assert tasks("cylinder-low") == []


@pytest.mark.parametrize("start", [NOON, NOON + timedelta(days=3, hours=9)])
def test_absence_that_has_begun_plans_only_what_is_left(start: datetime) -> None:
    view = view_with()
    away = Absence("a4", NOON - 2 * DAY, start + 2 * DAY)
    (page,) = handover(away, [view], {}, NOON).tanks
    assert all(one.due >= NOON for one in page.tasks)


def test_a_split_change_is_planned_on_following_days_with_the_doses_after_its_last() -> None:
    """KH 4 and tap water of 8 dKH: half the water moves KH by 2, so three changes, a day apart.

    A week on from the last of them comes the next, as the rule on routine changes counts.
    """
    tank = a_tank(water_change=WaterChangePlan(tap_kh_meq_l=2 * KH_4))
    log = [
        *(one for one in usual_log() if one.kind is not LogKind.KH_TEST),
        entry(LogKind.KH_TEST, NOON - HOUR, kh_meq_l=KH_4),
    ]
    changes = tasks("water-change-due", tank=tank, log=log)
    assert [day(one) for one in changes] == [4, 5, 6, 13, 14]
    assert {one.title for one in changes} == {"Change 37 L (21 %)"}
    assert [day(one) for one in tasks("dose-due", tank=tank, log=log)] == [6, 6]
    begun = [*(one for one in log if one.kind is not LogKind.WATER_CHANGE),
             entry(LogKind.WATER_CHANGE, NOON - 8 * DAY, fraction=0.5),
             entry(LogKind.WATER_CHANGE, NOON - HOUR, fraction=0.206),
             entry(LogKind.KH_TEST, NOON - MINUTE, kh_meq_l=KH_4)]  # fmt: skip
    left = tasks("water-change-due", tank=tank, log=begun)
    # 1 - 0.5 / 0.794 = 37 % is left: two parts of 20.6 %
    assert [day(one) for one in left][:2] == [1, 2]
    assert left[0].title == "Change 37 L (21 %)"


def test_a_change_of_more_parts_than_days_between_changes_is_asked_for_once_a_day() -> None:
    """Four fifths of the water against tap water of 16 dKH take longer than the week between."""
    tank = a_tank(water_change=WaterChangePlan(fraction=0.8, tap_kh_meq_l=4 * KH_4))
    days = [day(one) for one in tasks("water-change-due", tank=tank)]
    assert len(days) > 7 and len(days) == len(set(days))
