"""Plants that reach the surface, and plants that stand before lower ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from service.advice.engine.catalogue import evaluate
from service.advice.engine.recommendation import Severity
from service.advice.engine.work import Who
from service.derive.models.tank_view import TankView
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Plant
from tests.advice.cases import DAY, found, the, usual_log, view_with
from tests.advice.reading_level import check_easy_to_read
from tests.derive.pieces import NOON, a_tank, entry

WEEK = 7 * DAY
ROTALA = "Rotala rotundifolia"


def tall(weeks_ago: float, cm: float, kind: LogKind = LogKind.OBSERVATION) -> LogEntry:
    return entry(kind, NOON - weeks_ago * WEEK, plant=ROTALA, height_cm=cm)


def seen(plant: Plant, *heights: LogEntry, **of_tank: object) -> TankView:
    log = sorted((*heights, *usual_log()), key=lambda one: one.time, reverse=True)
    return view_with(a_tank(plants=(plant,), **of_tank), log=log)


NEAR = (tall(0.2, 39), tall(2, 33), tall(4, 27))
FAR = (tall(0.2, 20), tall(2, 14))


def test_near_the_surface_the_keeper_chooses_once() -> None:
    plant = Plant(ROTALA)
    one = the(seen(plant, *NEAR), "plant-at-surface")
    assert (
        one.title == f"{ROTALA} reaches the surface in about 1 week: trim it, or let it grow out?"
    )
    assert (one.subject, one.severity, one.who) == (ROTALA, Severity.INFO, Who.KEEPER)
    assert "grows 3." in one.action and "It was 39 cm on" in one.action
    check_easy_to_read([f"{one.title} {one.action}"])
    assert found(seen(plant, *FAR), "plant-at-surface") == []
    assert found(seen(plant), "plant-at-surface") == []
    assert found(seen(plant, tall(0, 10, LogKind.TRIM), *NEAR), "plant-at-surface") == []
    assert found(seen(plant, tall(9, 40), tall(12, 31)), "plant-at-surface") == [], "long ago"
    at_it = the(seen(plant, tall(0.1, 42)), "plant-at-surface")
    assert at_it.title.startswith(f"{ROTALA} is at the surface: trim it")


def test_the_choice_is_remembered() -> None:
    assert found(seen(Plant(ROTALA, at_surface="grow-out"), *NEAR), "plant-at-surface") == []
    trim = Plant(ROTALA, at_surface="trim")
    one = the(seen(trim, *NEAR), "plant-at-surface")
    assert one.title == f"Trim {ROTALA}: about 40 cm tall"
    assert one.log is not None and one.log.data == {"plant": ROTALA, "height_cm": 15.0}
    check_easy_to_read([f"{one.title}. {one.action}"])
    assert found(seen(trim, *FAR), "plant-at-surface") == []
    wished = replace(trim, wished_height_cm=18.0)
    lower = the(seen(wished, *FAR), "plant-at-surface")
    assert "It should stay below 18 cm" in lower.action


@pytest.mark.parametrize(("choice", "asked"), [("grow-out", False), ("trim", True), (None, True)])
def test_stems_that_may_grow_out_are_not_asked_to_be_cut(choice, asked) -> None:
    """By the growth that the tank states, without a height in the log."""
    plant = Plant(ROTALA, height_high_cm=50.0, at_surface=choice)
    cut = entry(LogKind.TRIM, NOON - 4 * WEEK, height_cm=10.0)
    view = seen(plant, cut, thresholds={"stem_growth_cm_week": 8.0})
    assert bool(found(view, "trim-due")) is asked


def test_logged_heights_speak_in_place_of_the_stated_growth() -> None:
    plant = Plant(ROTALA, height_high_cm=50.0, at_surface="trim")
    cut = entry(LogKind.TRIM, NOON - 5 * WEEK, height_cm=10.0)
    view = seen(plant, cut, *NEAR, thresholds={"stem_growth_cm_week": 8.0})
    codes = [one.code for one in evaluate(view)]
    assert "plant-at-surface" in codes and "trim-due" not in codes


HIGH = Plant("Hygrophila corymbosa", height_high_cm=50.0)
LOW = Plant("Anubias nana", "low", height_high_cm=12.0)


def covered(high: dict[str, object], low: dict[str, object]) -> Sequence[str]:
    plants = (replace(HIGH, **high), replace(LOW, **low))  # type: ignore[arg-type]
    findings = found(view_with(a_tank(plants=plants)), "plant-covered")
    check_easy_to_read([f"{one.title}. {one.action}" for one in findings])
    return [one.subject for one in findings]


@pytest.mark.parametrize(
    ("high", "low", "says"),
    [
        ({"position": "front"}, {"position": "back"}, True),
        ({"position": "front"}, {"position": "middle", "side": "left"}, True),
        ({"position": "front", "side": "right"}, {"position": "middle", "side": "left"}, False),
        ({"position": "back"}, {"position": "front"}, False),
        ({"position": "front"}, {}, False),
        ({"position": "front", "wished_height_cm": 14.0}, {"position": "back"}, False),
    ],
)
def test_a_taller_plant_before_a_lower_one_is_said_once(high, low, says) -> None:
    subjects = covered(high, low)
    assert subjects == (["Hygrophila corymbosa before Anubias nana"] if says else [])
