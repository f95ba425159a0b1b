"""What the sensors of a scenario report: simulated, measured and spoiled with its faults.

A scenario that is ``judged`` has the flags that the ingester would give.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping
from datetime import timedelta
from typing import Any

import numpy as np

from demo.measuring import measured
from demo.simulator import simulate
from ingest.process.calibration import Calibrations
from ingest.process.device_clock import ClockLimits
from ingest.process.processor import Processor
from service.store.columns import ReadingColumns
from service.store.model import Flag, Reading, Samples, SeriesKey
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
                one = _spoiled(one, fault, scenario.seed)
        found[SeriesKey(TANK, sensor.quantity, sensor.name)] = one
    return judged(found) if scenario.judged else found


def judged(series: Mapping[SeriesKey, Samples]) -> dict[SeriesKey, Samples]:
    """The same readings, with the flags that the ingester gives them."""
    processor = Processor(
        Calibrations, ClockLimits(late_after_us=3_600_000_000, future_us=60_000_000), None
    )
    readings = [one for key, samples in series.items() for one in _readings(key, samples)]
    judged = processor.process_archived(
        ReadingColumns.of(readings), max(one.time_us for one in readings)
    )
    flags = {(one.key, one.time_us): int(one.flags) for one in judged.readings}
    return {
        key: Samples(
            one.time_us,
            one.value,
            np.array([flags[key, at] for at in one.time_us.tolist()], np.int32),
        )
        for key, one in series.items()
    }


def _readings(key: SeriesKey, samples: Samples) -> Iterator[Reading]:
    for at, value in zip(samples.time_us.tolist(), samples.value.tolist(), strict=True):
        yield Reading(key.tank, key.quantity, key.sensor, at, value)


def _spoiled(one: Samples, fault: Mapping[str, Any], seed: int) -> Samples:
    """The readings with a fault of their sensor."""
    begin, end = to_us(moment(fault["from"])), to_us(moment(fault.get("until", "999 00:00")))
    here = (one.time_us >= begin) & (one.time_us < end)
    kind = fault["kind"]
    if kind == "silent":
        return Samples(one.time_us[~here], one.value[~here], one.flags[~here])
    if kind == "offset":
        one.value[here] += fault["by"]
    elif kind == "constant":
        one.value[here] = fault["value"]
    elif kind == "stuck":  # flagged after an hour, as the ingester does
        one.value[here] = one.value[np.flatnonzero(here)[0]]
        one.flags[here & (one.time_us >= begin + 3_600_000_000)] |= int(Flag.STUCK)
    elif kind == "gaps":  # at random moments, ``per_day`` of them, each of ``minutes``
        length_us = int(fault["minutes"] * 60e6)
        for start_us in _moments(fault, seed, one.time_us[here]):
            here &= (one.time_us < start_us) | (one.time_us >= start_us + length_us)
        kept = here | (one.time_us < begin) | (one.time_us >= end)
        return Samples(one.time_us[kept], one.value[kept], one.flags[kept])
    elif kind == "singles":  # at random moments, one reading each, ``values`` in turn
        for number, start_us in enumerate(_moments(fault, seed, one.time_us[here])):
            at = int(np.searchsorted(one.time_us, start_us))
            one.value[at] = fault["values"][number % len(fault["values"])]
    elif kind == "implausible":
        one.value[here] = fault["value"]
        one.flags[here] |= int(Flag.IMPLAUSIBLE)
    else:
        raise AssertionError(f"fault kind is {kind!r}")
    return one


def _moments(fault: Mapping[str, Any], seed: int, time_us: Any) -> list[int]:
    """Random moments of a fault among the times of its readings, ``per_day`` of them on average."""
    generator = np.random.default_rng(
        [seed, zlib.crc32(f"{fault['sensor']}{fault['kind']}".encode())]
    )
    first, last = int(time_us[0]), int(time_us[-1])
    count = generator.poisson(fault["per_day"] * (last - first) / 86_400e6)
    return sorted(generator.integers(first, last, count).tolist())
