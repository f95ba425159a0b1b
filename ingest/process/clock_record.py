"""Writes down in the registry which device clocks are off, for people and for the next start."""

from __future__ import annotations

import logging

from ingest.process.clock_offset import DeviceClocks
from service.errors import LittoralError
from service.registry.models.ingest import DeviceClock
from service.registry.registry import Registry
from service.times import from_us

_log = logging.getLogger(__name__)


def record_clocks(clocks: DeviceClocks, registry: Registry) -> None:
    """Write down what became known since this was last done; what fails is tried again."""
    changes = clocks.take_changes()
    if not changes:
        return
    wrong = [
        DeviceClock(*one.name, one.offset_us // 1_000_000, from_us(one.since_us))
        for one in changes
        if one.offset_us is not None
    ]
    right = [one.name for one in changes if one.offset_us is None]
    try:
        registry.put_device_clocks(wrong, right)
    except LittoralError as error:
        clocks.put_back(changes)
        _log.warning("what is known of the clocks was not written down: %s", error.detail)
