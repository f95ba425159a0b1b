"""A changed plan leaves an adjustment in the tank's log."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time

from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.registry.registry import Registry
from tests.derive.pieces import a_tank

NOW = datetime(2026, 3, 10, 12, tzinfo=UTC)


def logged(registry: Registry) -> list[dict[str, str]]:
    return [dict(one.data) for one in registry.log("reed", kinds=[LogKind.ADJUSTMENT])]


def test_a_changed_plan_is_logged_with_what_it_was_and_is(registry: Registry) -> None:
    tank = a_tank()
    registry.put_tank(tank, now=NOW)
    assert logged(registry) == []

    def earlier(present: Tank) -> Tank:
        return replace(present, gas=replace(present.gas, start=time(7, 40)))

    registry.change_tank("reed", earlier, now=NOW)
    assert logged(registry) == [
        {"lever": "gas-times", "before": "08:00 to 17:00", "after": "07:40 to 17:00"}
    ]
    [one] = registry.log("reed", kinds=[LogKind.ADJUSTMENT])
    assert one.time == one.recorded == NOW


def test_each_lever_has_an_entry_and_what_is_no_lever_has_none(registry: Registry) -> None:
    tank = a_tank()
    registry.put_tank(tank, now=NOW)
    plan = replace(tank.light, photoperiod_h=6.0)
    water = replace(tank.water_change, fraction=0.3)
    registry.put_tank(replace(tank, light=plan, water_change=water, notes="new"), now=NOW)
    assert {one["lever"] for one in logged(registry)} == {"light-hours", "water"}
    registry.put_tank(replace(tank, light=plan, water_change=water, name="Other"), now=NOW)
    assert len(logged(registry)) == 2


def test_without_a_time_nothing_is_logged(registry: Registry) -> None:
    registry.put_tank(a_tank())
    registry.put_tank(a_tank(heated=False))
    assert logged(registry) == []
