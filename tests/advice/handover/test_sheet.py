"""The handover sheet."""

from __future__ import annotations

import re
from datetime import timedelta

import numpy as np

from service.advice.engine.catalogue import evaluate
from service.advice.engine.history.lifecycle import advance
from service.advice.engine.rule import Case
from service.advice.engine.work import Who
from service.advice.handover.care_plan import Task, tasks_between
from service.advice.handover.sheet import HandoverSheet, handover
from service.registry.models.absence import Absence
from service.registry.models.log import LogKind
from service.registry.models.tank import Plant
from tests.advice.cases import DAY, HOUR, usual_log, view_with
from tests.derive.pieces import NOON, a_tank, days_of, entry, grid, lamp

TWO_WEEKS = Absence("a1", NOON + DAY, NOON + 15 * DAY, "the neighbour", (), "Key is next door.")


def tasks(code: str = "", **of_view: object) -> list[Task]:
    case = Case(view_with(**of_view))  # type: ignore[arg-type]
    found = tasks_between(case, TWO_WEEKS.start, TWO_WEEKS.end)
    return [one for one in found if one.code == code] if code else found


def sheet(**of_view: object) -> HandoverSheet:
    view = view_with(**of_view)  # type: ignore[arg-type]
    standing = advance([], "reed", evaluate(view), view.now)
    return handover(TWO_WEEKS, [view], {"reed": standing}, view.now)


def test_sheet_of_a_healthy_tank() -> None:
    (page,) = sheet(tank=a_tank(notes="Feed a pinch each morning.")).tanks
    assert page.state[0].startswith("Water: 24.0 °C (range 22 to 28). CO2: 26 mg/L (likely ")
    assert page.state[0].endswith("; target 20 to 30 while the lamp is on). Lamp on.")
    assert page.state[1] == "Nothing to do now besides what is planned."
    assert page.state[2] == "20 Paracheirodon axelrodi. Water changed 3 days ago (50 %)."
    assert page.notes == "Feed a pinch each morning."
    assert {one.code for one in page.tasks} >= {"look", "water-change-due", "dose-due"}
    assert [one.value for one in page.emergencies if one.unit == "Cel"] == [28.0, 22.0]
    seen = [one.title for one in page.emergencies]
    assert "CO2 above 30 mg/L for more than half an hour" in seen
    assert seen[0].startswith("animals gasp")
    assert any("needle valve" in text for text in page.leave_alone)
    assert any("licensed" in text for text in page.cautions)
    assert any("no safety device" in text for text in page.cautions)


def test_the_plants_are_named_the_first_of_many() -> None:
    names = ("Rotala macrandra", "Anubias barteri", "Salvinia natans", "Hygrophila difformis",
             "Vallisneria spiralis", "Cryptocoryne parva")  # fmt: skip
    (page,) = sheet(tank=a_tank(plants=tuple(map(Plant, names)))).tanks
    assert page.state[2].startswith(
        "20 Paracheirodon axelrodi. Plants: Rotala macrandra, Anubias barteri, Salvinia natans, "
        "Hygrophila difformis and 2 more. Water changed"
    )
    (page,) = sheet(tank=a_tank(plants=(Plant("Anubias barteri"),))).tanks
    assert " Plants: Anubias barteri. Water changed" in page.state[2]


def test_sheet_without_gas_says_nothing_of_gas() -> None:
    (page,) = sheet(tank=a_tank(co2_injected=False, doses=())).tanks
    everything = " ".join(
        [
            *page.leave_alone,
            *page.cautions,
            *(f"{one.title} {one.action}" for one in page.emergencies),
        ]
    )
    assert "CO2" not in everything and "needle" not in everything
    assert page.emergencies[0].action.startswith("Raise the filter outlet")


def test_sheet_shows_what_is_open_and_what_is_unknown() -> None:
    (page,) = sheet(celsius=lambda t: np.where(t > grid(NOON, NOON)[0] - 8e10, 30.5, 24.0)).tanks
    assert page.state[1].startswith("Open: Water is too warm")
    silent = view_with(now=NOON + 4 * HOUR, series=days_of(NOON))
    (page,) = handover(TWO_WEEKS, [silent], {}, NOON).tanks
    assert "Temperature not known: " in page.state[0] and "CO2 not known: " in page.state[0]


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


def test_colleague_is_asked_for_nothing_that_the_sheet_forbids() -> None:
    """Too much CO2 and a late lamp: valve and timer wait for the tank keeper."""
    (page,) = sheet(co2=lambda t: np.full(t.shape, 45.0), lux=lambda t: lamp(t, off=23.9)).tanks
    asked = " ".join(one.action for one in (*page.now, *page.tasks))
    assert "Close the CO2 cylinder" in asked
    assert not re.search(r"needle valve|[Ss]et the timer|set to", asked)
    kept = {one.title: one.action for one in page.waiting}
    assert "needle valve" in kept["CO2 is above 30 mg/L"]
    assert any("lamp" in title.lower() for title in kept)
    assert all(one.who is Who.KEEPER for one in page.waiting)
    assert all(one.who is Who.ANYONE for one in (*page.now, *page.tasks, *page.emergencies))


def test_one_water_change_is_asked_for_once() -> None:
    """Replanted this morning: the large change is the task of the day, and nothing beside it."""
    log = [*usual_log(), entry(LogKind.REPLANT, NOON - 3 * HOUR, fraction=0.5)]
    absence = Absence("a2", NOON, NOON + 14 * DAY)
    view = view_with(log=log)
    standing = advance([], "reed", evaluate(view), view.now)
    (page,) = handover(absence, [view], {"reed": standing}, view.now).tanks
    changes = [one for one in page.tasks if one.code.startswith("water-change")]
    assert [one.code for one in changes] == ["water-change-after-work", "water-change-due"]
    assert {one.finding.code for one in standing} >= {"water-change-after-work"}
    assert page.now == ()


def test_salt_and_medication_are_shown() -> None:
    log = [
        *usual_log(),
        entry(LogKind.SALT, NOON - 5 * DAY, g=30.0),
        entry(LogKind.MEDICATION, NOON - 100 * DAY, name="invented remedy"),
    ]
    (page,) = sheet(log=log).tanks
    assert "Salt, 30 g, 5 days ago. Water changed 3 days ago" in page.state[2]
    assert "remedy" not in page.state[2], "longer ago than remedy_days"
    (task, *_) = [one for one in page.tasks if one.code == "water-change-due"]
    assert "not on plants, since salt was added" in task.action
