"""Heights of plants out of the log: growth between cuts, and the way to the surface."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.derive.inhabitants.plant_heights import height_of
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Plant
from tests.derive.pieces import NOON, a_tank, entry

ROTALA = Plant("Rotala rotundifolia")
TANK = a_tank(plants=(ROTALA,))
"""Its water is 42 cm deep."""

WEEK = timedelta(weeks=1)


def tall(weeks_ago: float, cm: float, kind: LogKind = LogKind.OBSERVATION) -> LogEntry:
    return entry(kind, NOON - weeks_ago * WEEK, plant="rotala rotundifolia", height_cm=cm)


def test_growth_since_the_last_cut_leads_to_the_surface() -> None:
    log = [tall(1, 22), tall(3, 16), tall(5, 10, LogKind.TRIM), tall(5.01, 31), tall(7, 25)]
    found = height_of(ROTALA, TANK, log, NOON)
    assert found is not None and found.growth is not None and found.to_surface is not None
    assert found.growth.value == pytest.approx(3.0, abs=0.02)
    assert found.growth.low < 3 < found.growth.high
    assert (found.last_cm, found.time) == (22, NOON - WEEK)
    assert found.now_cm == pytest.approx(25, abs=0.05)
    assert found.to_surface.value == pytest.approx((42 - 22) / 3 - 1, abs=0.1)
    assert found.to_surface.earliest < found.to_surface.value
    assert found.to_surface.latest is not None and found.to_surface.latest > found.to_surface.value


def test_a_single_height_or_none_promises_nothing() -> None:
    one = height_of(ROTALA, TANK, [tall(1, 22)], NOON)
    assert one is not None and (one.growth, one.to_surface, one.now_cm) == (None, None, 22)
    assert height_of(ROTALA, TANK, [], NOON) is None
    assert height_of(Plant("Anubias barteri"), TANK, [tall(1, 22)], NOON) is None
    assert height_of(ROTALA, TANK, [tall(-1, 22)], NOON) is None, "it is still to come"


def test_slow_growth_may_never_get_there() -> None:
    found = height_of(ROTALA, TANK, [tall(1, 20.3), tall(2, 20)], NOON)
    assert found is not None and found.to_surface is not None
    assert found.to_surface.latest is None
    shrinking = height_of(ROTALA, TANK, [tall(1, 18), tall(2, 20)], NOON)
    assert shrinking is not None and shrinking.to_surface is None
    assert shrinking.now_cm == 18


def test_without_dimensions_the_surface_is_nowhere() -> None:
    found = height_of(ROTALA, a_tank(dimensions=None), [tall(1, 22), tall(3, 16)], NOON)
    assert found is not None and found.growth is not None and found.to_surface is None
