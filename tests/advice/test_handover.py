"""The care plan, the handover sheet and the report on return."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from service.advice.engine.catalogue import evaluate
from service.advice.engine.lifecycle import advanced, marked
from service.advice.engine.rule import Case
from service.advice.handover.care_plan import Task, tasks_between
from service.advice.handover.return_report import Told, tank_return
from service.advice.handover.sheet import HandoverSheet, handover
from service.derive.tank_view import tank_view
from service.registry.models import Absence, LogKind
from service.registry.recommendations import State
from tests.advice.cases import DAY, HOUR, usual_log, view_with
from tests.derive.pieces import NOON, a_tank, days_of, entry, grid, inputs_with, lamp

TWO_WEEKS = Absence("a1", NOON + DAY, NOON + 15 * DAY, "the neighbour", (), "Key is next door.")


def tasks(code: str = "", **of_view: object) -> list[Task]:
    case = Case(view_with(**of_view))  # type: ignore[arg-type]
    found = tasks_between(case, TWO_WEEKS.start, TWO_WEEKS.end)
    return [one for one in found if one.code == code] if code else found


def day(one: Task) -> int:
    """Days after the test's noon day."""
    return (one.day - NOON.date()).days


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


def test_an_overdue_change_falls_on_the_first_day() -> None:
    late = [one for one in usual_log() if one.kind is not LogKind.WATER_CHANGE]
    late.append(entry(LogKind.WATER_CHANGE, NOON - 12 * DAY, fraction=0.5))
    assert [day(one) for one in tasks("water-change-due", log=late)] == [1, 8]


def test_every_day_has_its_look_and_all_is_in_order() -> None:
    looks = tasks("look")
    assert [day(one) for one in looks] == list(range(1, 16))
    every = tasks()
    assert [one.due for one in every] == sorted(one.due for one in every)
    assert all(TWO_WEEKS.start <= one.due < TWO_WEEKS.end for one in every)


def test_upkeep_that_can_wait_is_left_to_the_practitioner() -> None:
    """Pre-filter rinsed 5 days ago, every 14; filter 10 days ago, every 60; calibration 10, 30."""
    assert [day(one) for one in tasks("prefilter-due")] == [9]
    assert tasks("filter-due") == []
    assert tasks("calibration-due") == []
    long_ago = [
        one for one in usual_log() if one.kind not in (LogKind.CALIBRATION, LogKind.FILTER_CLEAN)
    ]
    long_ago.append(entry(LogKind.CALIBRATION, NOON - 55 * DAY, quantity="ph"))
    assert [day(one) for one in tasks("calibration-due", log=long_ago)] == [5]


def test_stems_and_cylinder_are_told_in_time() -> None:
    tank = a_tank(thresholds={"stem_growth_cm_week": 7.0, "stem_height_cm": 20.0})
    log = [*usual_log(), entry(LogKind.TRIM, NOON - 7 * DAY, share=0.3)]
    # 20 cm and 1 cm a day up to 42 - 3 cm: 19 days after the trim
    assert [day(one) for one in tasks("trim-due", tank=tank, log=log)] == [12]
    assert tasks("cylinder-low") == []


def sheet(**of_view: object) -> HandoverSheet:
    view = view_with(**of_view)  # type: ignore[arg-type]
    standing = advanced([], "reed", evaluate(view), view.now)
    return handover(TWO_WEEKS, [view], {"reed": standing}, view.now)


def test_sheet_of_a_healthy_tank() -> None:
    (page,) = sheet(tank=a_tank(notes="Feed a pinch each morning.")).tanks
    assert page.state[0].startswith("24.0 °C; CO2 26 mg/L (")
    assert "target 20 to 30: within; lamp on" in page.state[0]
    assert page.state[1] == "Nothing stands open."
    assert page.state[2] == "20 Paracheirodon axelrodi; water changed 3 days ago (50 %)."
    assert page.notes == "Feed a pinch each morning."
    assert {one.code for one in page.tasks} >= {"look", "water-change-due", "dose-due"}
    assert [one.value for one in page.limits if one.unit == "Cel"] == [28.0, 22.0]
    assert any(one.when == "CO2 above 30 mg/L for more than half an hour" for one in page.limits)
    assert page.limits[0].when.startswith("animals gasp")
    assert any("needle valve" in text for text in page.leave_alone)
    assert any("licensed" in text for text in page.cautions)
    assert any("no safety device" in text for text in page.cautions)


def test_sheet_without_gas_says_nothing_of_gas() -> None:
    (page,) = sheet(tank=a_tank(co2_injected=False, doses=())).tanks
    everything = " ".join([*page.leave_alone, *page.cautions, *(one.when for one in page.limits)])
    assert "CO2" not in everything and "needle" not in everything
    assert page.limits[0].do.startswith("Stir the surface")


def test_sheet_tells_what_stands_open_and_what_is_unknown() -> None:
    (page,) = sheet(celsius=lambda t: np.where(t > grid(NOON, NOON)[0] - 8e10, 30.5, 24.0)).tanks
    assert page.state[1].startswith("Open: Water is too warm")
    silent = view_with(now=NOON + 4 * HOUR, series=days_of(NOON))
    (page,) = handover(TWO_WEEKS, [silent], {}, NOON).tanks
    assert "temperature unknown" in page.state[0] and "CO2 unknown" in page.state[0]


def test_picture_is_small_and_covers_three_days() -> None:
    (page,) = sheet().tanks
    assert 280 <= len(page.picture.time) <= 290
    assert page.picture.time[0] >= NOON - 3 * DAY - timedelta(minutes=15)
    assert page.picture.co2_mg_l.shape == (len(page.picture.time),)
    assert len(page.picture.lit) == 4
    assert (page.picture.target_low_mg_l, page.picture.target_high_mg_l) == (20.0, 30.0)


def test_several_tanks_keep_their_order() -> None:
    views = [view_with(a_tank(id=name, name=name)) for name in ("b", "a")]
    found = handover(TWO_WEEKS, views, {}, NOON)
    assert [one.tank for one in found.tanks] == ["b", "a"]
    assert found.absence.note == "Key is next door."


def test_report_on_return() -> None:
    """Away for four days: a warm spell, a change, a KH test, a lamp set two hours longer."""
    away = Absence("a2", NOON - 4 * DAY, NOON, "the neighbour")

    def warm(t: np.ndarray) -> np.ndarray:
        days = (t - grid(NOON, NOON)[0]) / 8.64e10
        return np.where((days > -2.5) & (days < -2.25), 29.5, 24.0)

    def longer(t: np.ndarray) -> np.ndarray:
        late = t > grid(away.start, away.start)[0]
        return np.where(late, lamp(t, off=20.0), lamp(t))

    log = [
        entry(LogKind.KH_TEST, NOON - 12 * DAY, alkalinity_meq_l=a_tank().alkalinity_meq_l),
        replace(entry(LogKind.WATER_CHANGE, NOON - 2 * DAY, fraction=0.5), by="the neighbour"),
        entry(LogKind.DOSE, NOON - 2 * DAY + HOUR, name="macro", ml=18.0),
        entry(LogKind.KH_TEST, NOON - 1 * DAY, alkalinity_meq_l=1.0),
    ]
    view = tank_view(inputs_with(a_tank(), NOON, days_of(celsius=warm, lux=longer), log))
    seen = advanced([], "reed", evaluate(view), NOON - 1 * DAY)
    seen = [marked(seen[0], State.DISMISSED, NOON), *seen[1:]]
    report = tank_return(away, view, seen)
    (spell,) = [one for one in report.happened if one.text.startswith("temperature above")]
    assert spell.text == "temperature above 28 °C for 5.9 h, furthest 29.5 °C"
    assert f"{spell.time:%d %b %H:%M}" == "08 Mar 00:03"
    assert any(one.text.endswith(", dismissed") for one in report.happened)
    assert [one.time for one in report.happened] == sorted(one.time for one in report.happened)
    assert report.done[0] == Told(NOON - 2 * DAY, "water change of 50 % by the neighbour")
    assert report.done[1] == Told(NOON - 2 * DAY + HOUR, "18 ml of macro dosed")
    assert "light: 8.0 h a day before, 10.0 h at the end" in report.changed
    assert "KH: 4.0 dKH before, 2.8 dKH at the end" in report.changed
    assert all(one.state is State.OPEN for one in report.open)


def test_report_on_a_quiet_absence_is_short() -> None:
    view = view_with()
    report = tank_return(Absence("a3", NOON - 2 * DAY, NOON), view, [])
    assert (report.happened, report.done, report.open, report.changed) == ((), (), (), ())


@pytest.mark.parametrize("start", [NOON, NOON + timedelta(days=3, hours=9)])
def test_absence_that_has_begun_plans_only_what_is_left(start: datetime) -> None:
    view = view_with()
    away = Absence("a4", NOON - 2 * DAY, start + 2 * DAY)
    (page,) = handover(away, [view], {}, NOON).tanks
    assert all(one.due >= NOON for one in page.tasks)
