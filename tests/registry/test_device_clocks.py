"""Clocks that are off: written, replaced, right again, gone with their tank."""

from __future__ import annotations

from datetime import UTC, datetime

from service.registry.models.ingest import DeviceClock
from service.registry.models.tank import Tank

AT = datetime(2026, 3, 2, 12, tzinfo=UTC)


def clock(tank, sensor, fast_s, quantity="ph"):
    return DeviceClock(tank, quantity, sensor, fast_s, AT)


def test_clocks_are_written_replaced_and_right_again(registry):
    registry.put_tank(Tank("reed", "Reed"))
    registry.put_tank(Tank("sedge", "Sedge"))
    registry.put_device_clocks(
        [clock("reed", "a", 7200), clock("reed", "b", -1_700_000_000), clock("sedge", "a", 600)]
    )
    assert [one.fast_s for one in registry.device_clocks("reed")] == [7200, -1_700_000_000]
    of_some = registry.device_clocks_of(["reed", "fern"])
    assert dict(of_some) == {"reed": registry.device_clocks("reed")}
    registry.put_device_clocks([clock("reed", "a", 3600)], [("reed", "ph", "b")])
    assert registry.device_clocks("reed") == [clock("reed", "a", 3600)]
    registry.delete_tank("reed")
    assert dict(registry.all_device_clocks()) == {"sedge": [clock("sedge", "a", 600)]}


def test_clocks_of_a_tank_that_is_gone_are_left_out(registry):
    registry.put_tank(Tank("reed", "Reed"))
    registry.put_device_clocks([clock("none", "a", 600), clock("reed", "a", 600)])
    assert dict(registry.all_device_clocks()) == {"reed": [clock("reed", "a", 600)]}
    assert registry.device_clocks("none") == ()
