"""Light at one moment: whether the tank is lit, and since when that is known."""

from __future__ import annotations

import numpy as np

from service.derive.inputs import Inputs
from service.derive.light.source import LightSource
from service.derive.models.light import LightNow, StuckSensor
from service.derive.models.quality import Quality
from service.derive.sensors.choice import age_min
from service.derive.thresholds import derived_limit
from service.times import from_us


def light_now(inputs: Inputs, source: LightSource) -> LightNow:
    """Light at ``now`` of the inputs."""
    quantity = source.quantity or "illuminance"
    reading = inputs.latest.get(quantity)
    stale_min = derived_limit(inputs.tank, "stale_light_min")
    if source.stuck is not None:
        stuck = ("the light sensor stays at its highest value by day and night: it is stuck",)
        return LightNow(None, None, None, Quality.STALE, stuck, _stuck(inputs, source))
    if not len(source.samples) or reading is None or age_min(reading, inputs.now) > stale_min:
        why = (inputs.why_none(quantity),)
        return LightNow(reading, None, None, Quality.STALE, why)
    lit = bool(source.lux[-1] > source.levels.on_lux)
    since = _unchanged_since(source, lit)
    unchanged = None if since is None else from_us(int(source.samples.time_us[since]))
    return LightNow(reading, lit, unchanged, Quality.GOOD, inputs.reasons(quantity))


def _unchanged_since(source: LightSource, lit: bool) -> int | None:
    """The first sample since which it was seen to be as it is; None: in all that was read.

    What happened in a gap was not seen: the sample after it is the first.
    """
    lux, levels = source.lux, source.levels
    other = np.flatnonzero(lux <= levels.off_lux if lit else lux > levels.on_lux)
    gap = np.flatnonzero(np.diff(source.samples.time_s) > source.gap_s)
    before = max(int(last[-1]) if last.size else -1 for last in (other, gap))
    return None if before < 0 else min(before + 1, lux.size - 1)


def _stuck(inputs: Inputs, source: LightSource) -> StuckSensor | None:
    """Which sensor is stuck."""
    chosen = inputs.chosen.get(source.quantity)
    if source.stuck is None or chosen is None or chosen.info is None:
        return None
    return StuckSensor(chosen.info.key, source.stuck.value, source.stuck.since)
