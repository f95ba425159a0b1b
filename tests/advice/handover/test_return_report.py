"""The report on return."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.advice.engine.catalogue import evaluate
from service.advice.engine.history.lifecycle import advance, marked
from service.advice.engine.recommendation import Evidence, Finding, Severity
from service.advice.handover.care_plan import Task
from service.advice.handover.return_report import Occurrence, tank_return
from service.derive.tank_view import tank_view
from service.registry.models.absence import Absence
from service.registry.models.log import LogKind
from service.registry.models.recommendations import State
from tests.advice.cases import DAY, HOUR, usual_log, view_with
from tests.derive.pieces import NOON, a_tank, days_of, entry, grid, inputs_with, lamp


def day(one: Task) -> int:
    """Days after the test's noon day."""
    return (one.day - NOON.date()).days


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
        entry(LogKind.KH_TEST, NOON - 12 * DAY, kh_meq_l=a_tank().kh_meq_l),
        replace(entry(LogKind.WATER_CHANGE, NOON - 2 * DAY, fraction=0.5), by="the neighbour"),
        entry(LogKind.DOSE, NOON - 2 * DAY + HOUR, name="macro", ml=18.0),
        entry(LogKind.KH_TEST, NOON - 1 * DAY, kh_meq_l=1.0),
    ]
    view = tank_view(inputs_with(a_tank(), NOON, days_of(celsius=warm, lux=longer), log))
    seen = advance([], "reed", evaluate(view), NOON - 1 * DAY)
    seen = [marked(seen[0], State.DISMISSED, NOON), *seen[1:]]
    report = tank_return(away, view, seen)
    (spell,) = [one for one in report.happened if one.text.startswith("temperature above")]
    assert spell.text == "temperature above 28 °C for 5.9 h, up to 29.5 °C"
    assert f"{spell.time:%d %b %H:%M}" == "08 Mar 00:03"
    assert any(one.text.endswith(", dismissed") for one in report.happened)
    assert [one.time for one in report.happened] == sorted(one.time for one in report.happened)
    assert report.done[0] == Occurrence(NOON - 2 * DAY, "Water change, 50 % by the neighbour")
    assert report.done[1] == Occurrence(NOON - 2 * DAY + HOUR, "Dose, macro 18 mL")
    assert "light: 8.0 h a day before, 10.0 h at the end" in report.changed
    assert "KH: 4.0 dKH before, 2.8 dKH at the end" in report.changed
    assert all(one.state is State.OPEN for one in report.open)


def test_report_on_a_quiet_absence_is_short() -> None:
    view = view_with()
    report = tank_return(Absence("a3", NOON - 2 * DAY, NOON), view, [])
    assert (report.happened, report.done, report.open, report.changed) == ((), (), (), ())


@pytest.mark.parametrize("days", [30, 0])
def test_nothing_is_compared_where_only_one_side_is_known(days: int) -> None:
    """Away since before the first reading; and since just now, so that no day lies within."""
    view = view_with(log=[entry(LogKind.KH_TEST, NOON - DAY, kh_meq_l=1.0)])
    assert view.co2_days and view.light_days
    report = tank_return(Absence("a4", NOON - days * DAY, NOON), view, [])
    assert report.changed == ()


def test_figures_are_those_of_the_worst_moment_and_what_was_not_done_is_not_done() -> None:
    view = view_with()
    away = Absence("a5", NOON - 2 * DAY, NOON)

    def at(mg_l: float) -> Finding:
        evidence = (Evidence("co2", "co2", mg_l, "mg/L", 30.0),)
        return Finding(
            "co2-high", Severity.WARNING, f"CO2 is at {mg_l:.0f} mg/L", "Close it.", evidence
        )

    seen = advance([], "reed", [at(35.0)], NOON - DAY)
    for hours, mg_l in ((1, 52.0), (2, 31.0)):
        seen = advance(seen, "reed", [at(mg_l)], NOON - DAY + hours * HOUR)
    seen = advance(seen, "reed", [], NOON - DAY + 4 * HOUR)
    (line,) = tank_return(away, view, seen).happened
    assert line.text == "CO2 is at 52 mg/L, over by itself"
    opened = advance([], "reed", [at(35.0)], NOON - 2 * DAY)
    done = [marked(one, State.DONE, NOON - 2 * DAY) for one in opened]
    soon = advance(done, "reed", [at(34.0)], NOON - 2 * DAY + HOUR)
    texts = [one.text for one in tank_return(away, view, soon).happened]
    assert texts == ["CO2 is at 35 mg/L, marked as done, not over yet"]
    still = advance(done, "reed", [at(40.0)], NOON - HOUR)
    texts = [one.text for one in tank_return(away, view, still).happened]
    assert texts == [
        "CO2 is at 35 mg/L, marked as done, but still so afterwards", "CO2 is at 40 mg/L"
    ]  # fmt: skip


def test_a_dose_that_was_left_out_is_not_done_by_the_next_change() -> None:
    log = [*usual_log(), entry(LogKind.WATER_CHANGE, NOON - 3 * DAY + 2 * HOUR, fraction=0.5)]
    (one,) = [one for one in evaluate(view_with(log=log)) if one.code == "dose-skipped"][:1]
    assert one.closed_by == ("dose",)


def test_animals_that_died_are_said_in_words() -> None:
    log = [entry(LogKind.STOCKING, NOON - DAY, species="Corydoras pygmaeus", count=-18)]
    report = tank_return(Absence("a6", NOON - 2 * DAY, NOON), view_with(log=log), [])
    assert report.done[0].text == "Stocking, 18 Corydoras pygmaeus died or left"
