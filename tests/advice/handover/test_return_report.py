"""The report on return."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.advice.engine.catalogue import evaluate
from service.advice.engine.lifecycle import advance, marked
from service.advice.handover.care_plan import Task
from service.advice.handover.return_report import Occurrence, tank_return
from service.derive.tank_view import tank_view
from service.registry.models import Absence, LogKind
from service.registry.recommendations import State
from tests.advice.cases import DAY, HOUR, view_with
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
    assert spell.text == "temperature above 28 °C for 5.9 h, furthest 29.5 °C"
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
