"""Leaves out what was read while a probe was out of the tank."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Final

from service.derive.inputs import Inputs
from service.derive.sensors.probe_out import (
    ProbeOut,
    may_have_jumped,
    probe_out_spans,
    samples_without,
)
from service.derive.series_reading import HOUR_US, means
from service.registry.models.log import LogKind
from service.store.interface import ReadableStore
from service.store.model import Samples
from service.times import to_us

JUMPS_SEEN: Final = timedelta(days=1)
"""A probe that has been out for longer is seen where the days before are loaded. Our choice."""


def recent_ph(inputs: Inputs, store: ReadableStore) -> dict[str, Samples]:
    """The pH of the last day, in which a probe that is out of the tank shows; none without jump."""
    chosen = inputs.chosen.get("ph")
    if chosen is None or chosen.info is None:
        return {}
    end_us = to_us(inputs.now) + 1
    start_us = to_us(inputs.now - JUMPS_SEEN)
    # A day has 24 hours and 288 means: most often the few tell that no jump is among the many.
    hours = store.aggregate(chosen.info.key, start_us, end_us, HOUR_US, wanted=("min", "max"))
    if not may_have_jumped(hours.min, hours.max):
        return {}
    return {"ph": means(store)(chosen.info.key, start_us, end_us)}


def without_probes_out(inputs: Inputs, seen: Mapping[str, Samples]) -> Inputs:
    """The inputs without what was read while a probe was out of the tank.

    Args:
        seen: samples in which a jump shows.
    """
    spans = {
        quantity: probe_out_spans(
            one.info.key, seen.get(quantity) or Samples.empty(), inputs.log, to_us(inputs.now)
        )
        for quantity, one in inputs.chosen.items()
        if one.info is not None
    }
    others = _others_out(inputs)
    if not any(spans.values()) and not others:
        return inputs
    return replace(
        inputs,
        samples={
            quantity: samples_without(samples, spans.get(quantity, ()))
            for quantity, samples in inputs.samples.items()
        },
        latest={
            quantity: reading
            for quantity, reading in inputs.latest.items()
            if not any(one.holds(reading.time_us) for one in spans.get(quantity, ()))
        },
        probes_out=(*(one for of_quantity in spans.values() for one in of_quantity), *others),
    )


def _others_out(inputs: Inputs) -> tuple[ProbeOut, ...]:
    """The spans that the log marks of series that are not chosen."""
    if not any(one.kind == LogKind.PROBE_OUT for one in inputs.log):
        return ()
    chosen = {one.info.key for one in inputs.chosen.values() if one.info is not None}
    nothing, now_us = Samples.empty(), to_us(inputs.now)
    return tuple(
        span
        for info in inputs.infos
        if info.key not in chosen
        for span in probe_out_spans(info.key, nothing, inputs.log, now_us)
    )
