"""What the sensors of a scenario report: simulated, measured and spoiled with its faults."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import numpy as np

from demo.measuring import measured
from demo.simulator import simulate
from service.store.model import Flag, Samples, SeriesKey
from service.times import to_us
from tests.scenarios.scenario import BEFORE, START, STEP_S, TANK, Scenario, moment


def readings(scenario: Scenario) -> dict[SeriesKey, Samples]:
    """All readings of a scenario, of each series in time order."""
    start_s = (START - BEFORE).timestamp()
    end_s = (START + timedelta(days=scenario.days)).timestamp()
    trace = simulate(
        scenario.model, start_s, end_s, seed=scenario.seed, origin_s=start_s, step_s=STEP_S
    )
    found = {}
    for sensor in scenario.model.sensors:
        time_s, value = measured(TANK, sensor, trace, seed=scenario.seed, origin_s=start_s)
        time_us = np.rint(time_s * 1e6).astype(np.int64)
        one = Samples(time_us, value.copy(), np.zeros(time_s.shape, np.int32))
        for fault in scenario.faults:
            if fault["sensor"] == f"{sensor.quantity}/{sensor.name}":
                one = _spoiled(one, fault)
        found[SeriesKey(TANK, sensor.quantity, sensor.name)] = one
    return found


def _spoiled(one: Samples, fault: Mapping[str, Any]) -> Samples:
    """The readings with a fault of their sensor."""
    begin, end = to_us(moment(fault["from"])), to_us(moment(fault.get("until", "999 00:00")))
    here = (one.time_us >= begin) & (one.time_us < end)
    kind = fault["kind"]
    if kind == "silent":
        return Samples(one.time_us[~here], one.value[~here], one.flags[~here])
    if kind == "offset":
        one.value[here] += fault["by"]
    elif kind == "stuck":  # flagged after an hour, as the ingester does
        one.value[here] = one.value[np.flatnonzero(here)[0]]
        one.flags[here & (one.time_us >= begin + 3_600_000_000)] |= int(Flag.STUCK)
    elif kind == "implausible":
        one.value[here] = fault["value"]
        one.flags[here] |= int(Flag.IMPLAUSIBLE)
    else:
        raise AssertionError(f"fault kind is {kind!r}")
    return one
