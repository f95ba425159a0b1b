"""Flags a reading: by its plausible range, its lateness, and the readings around it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from ingest.process.series import SILENCE_US, SeriesState
from service.store import NOT_USABLE, Flag, Reading

# Plain integers: the operators of IntFlag are slow, and this runs for every reading.
_IMPLAUSIBLE, _SPIKE, _STUCK = int(Flag.IMPLAUSIBLE), int(Flag.SPIKE), int(Flag.STUCK)
_LATE, _DISAGREES, _NOT_USABLE = int(Flag.LATE), int(Flag.DISAGREES), int(NOT_USABLE)
_NONE: Sequence[Reading] = ()


class Judged(NamedTuple):
    """A reading with its flags, and earlier readings whose flags are others now."""

    reading: Reading
    corrected: Sequence[Reading]


def judge(series: SeriesState, reading: Reading, late: bool) -> Judged:
    """Add the flags of a reading, and remember it for those after it.

    Args:
        series: the state of its series.
        reading: with its final time, and the flags that it has already.
        late: it arrived long after it was measured.
    """
    time_us, checks = reading.time_us, series.checks
    if time_us > series.seen_us:
        series.seen_us = time_us
    before = flags = int(reading.flags)
    if not checks.low <= reading.value <= checks.high:
        flags |= _IMPLAUSIBLE
    if late:
        flags |= _LATE
    if flags != before:
        reading = replace(reading, flags=Flag(flags))
    if flags & _NOT_USABLE or time_us <= series.last_us:
        return Judged(reading, _NONE)
    doubts, corrected = _in_order(series, reading)
    if doubts:
        reading = replace(reading, flags=Flag(flags | doubts))
    return Judged(reading, corrected)


def _in_order(series: SeriesState, reading: Reading) -> tuple[int, Sequence[Reading]]:
    """Judge a reading by those before it, and those before it by this one."""
    checks, slot = series.checks, series.slot
    value, time_us = reading.value, reading.time_us
    elapsed_us, series.last_us = time_us - series.last_us, time_us
    corrected = _NONE
    if checks.outliers is not None:
        if elapsed_us > SILENCE_US:
            checks.outliers.forget(slot)
        spike, corrected = checks.outliers.add(slot, reading, elapsed_us)
        if spike:
            return _SPIKE, corrected
    if checks.stuck.is_stuck(slot, value, time_us):
        return _STUCK, corrected
    agreement = series.agreement
    if agreement is not None and agreement.disagrees(checks.limits, reading.sensor, value, time_us):
        return _DISAGREES, corrected
    return 0, corrected
