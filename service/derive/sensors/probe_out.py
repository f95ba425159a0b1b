"""Spans in which a probe was not in the tank's water: logged, or seen by a jump of its readings.

What a probe reads in a buffer, in air or in a bucket says nothing of the tank. A log entry marks
the time; a jump of pH by a whole unit that lasts is taken for one until the probe reads as before,
is logged as back, or a calibration explains the difference.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from service.derive.sensors.choice import US_PER_MINUTE
from service.quantities import quantity_words
from service.registry.models.log import LogEntry, LogKind, oldest_first
from service.registry.models.tank import Tank
from service.science.numeric.ranks import median
from service.store.model import Samples, SeriesKey
from service.times import from_us, to_us

LONGEST: Final = timedelta(hours=2)
"""A probe that is logged as out, and neither for how long nor as back, is out for so long. Our
choice."""

JUMP_PH: Final = 1.0
"""Water changes its pH by less within ``WITHIN_US``: gas takes an hour for half a unit. Common
practice, no source."""
ROUNDING_PH: Final = 0.01
"""What stores may round; a jump is looked for where it is nearly one. Our choice."""
WITHIN_US: Final = 30 * US_PER_MINUTE
BACK_PH: Final = 0.7
"""So near to what it read before, a probe is back. Our choice."""
BASELINE: Final = 6
"""Readings before a jump whose median is what the probe read before. Our choice."""
SETTLED_US: Final = 60 * US_PER_MINUTE
"""So long after a calibration a probe reads what it reads from then on. Our choice."""
NEW_WATER_US: Final = 120 * US_PER_MINUTE
"""So long around a water change a jump may be the new water. Our choice."""
_KINDS: Final = (
    LogKind.PROBE_OUT, LogKind.PROBE_BACK, LogKind.WATER_CHANGE, LogKind.CALIBRATION
)  # fmt: skip
"""Of entries that begin, end or explain a span."""

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class ProbeOut:
    """A span in which a probe was out of the tank's water, or may have been.

    Attributes:
        key: its series.
        start_us, end_us: first moment of it and first moment after; None: it still is.
        before: what it read before, where a jump shows the span; None: it is logged.
    """

    key: SeriesKey
    start_us: int
    end_us: int | None
    before: float | None = None

    def holds(self, time_us: int) -> bool:
        """Whether a moment lies in it."""
        return self.start_us <= time_us and (self.end_us is None or time_us < self.end_us)


def probe_out_spans(
    key: SeriesKey, samples: Samples, log: Iterable[LogEntry], now_us: int
) -> tuple[ProbeOut, ...]:
    """The spans of one series, those of the log first.

    Args:
        samples: its usable readings or means, oldest first; jumps are looked for in pH alone.
        log: entries of the tank up to now, newest first.
    """
    entries = oldest_first(one for one in log if one.kind in _KINDS)
    logged = _logged(key, entries, now_us)
    if key.quantity != "ph" or not len(samples):
        return logged
    kept = samples_without(samples, logged)
    return (*logged, *_jumps(key, kept, entries))


def probe_out_text(one: ProbeOut, tank: Tank) -> str:
    """Why the readings of a span don't count, without a stop."""
    local = from_us(one.start_us).astimezone(ZoneInfo(tank.time_zone))
    name = f"the {quantity_words(one.key.quantity)} probe {one.key.sensor}"
    if one.before is None:
        return f"{name} is logged as out of the tank since {local:%H:%M}"
    return (
        f"{name} jumped by a whole unit at {local:%H:%M} (before: {one.before:.1f}): out of the "
        "tank, or being calibrated?"
    )


def may_have_jumped(low: npt.NDArray[np.float64], high: npt.NDArray[np.float64]) -> bool:
    """Whether pH may hold a jump, by its lowest and highest of each hour; sure where it can't.

    Args:
        low, high: of hours in their order: what lies within half an hour is in one or the next.
    """
    if not len(low):
        return False
    lowest = np.minimum(low, np.append(low[1:], low[-1]))
    highest = np.maximum(high, np.append(high[1:], high[-1]))
    return bool((highest - lowest > JUMP_PH - ROUNDING_PH).any())


def samples_without(samples: Samples, spans: Sequence[ProbeOut]) -> Samples:
    """The samples that lie in none of the spans."""
    if not spans or not len(samples):
        return samples
    inside = np.zeros(len(samples), np.bool_)
    for one in spans:
        after = samples.time_us >= one.start_us
        inside |= after if one.end_us is None else after & (samples.time_us < one.end_us)
    keep = ~inside
    return Samples(samples.time_us[keep], samples.value[keep], samples.flags[keep])


def _logged(key: SeriesKey, entries: Sequence[LogEntry], now_us: int) -> tuple[ProbeOut, ...]:
    """The spans that the log marks; one whose end lies ahead still is."""
    spans = []
    for number, entry in enumerate(entries):
        if entry.kind != LogKind.PROBE_OUT or not _concerns(entry, key):
            continue
        start_us = to_us(entry.time)
        minutes = entry.data.get("minutes")
        length = LONGEST if minutes is None else timedelta(minutes=float(minutes))
        end_us = start_us + to_length_us(length)
        for later in entries[number + 1 :]:
            if later.kind == LogKind.PROBE_BACK and _concerns(later, key):
                end_us = min(end_us, to_us(later.time))
                break
        spans.append(ProbeOut(key, start_us, None if end_us > now_us else end_us))
    return tuple(spans)


def to_length_us(length: timedelta) -> int:
    """A length of time in microseconds."""
    return length // timedelta(microseconds=1)


def _concerns(entry: LogEntry, key: SeriesKey) -> bool:
    """Whether an entry is on a series; one that names no sensor is on all of its quantity."""
    sensor = entry.data.get("sensor")
    same = sensor is None or str(sensor).casefold() == key.sensor
    return same and entry.data.get("quantity", "ph") == key.quantity


def _jumps(key: SeriesKey, samples: Samples, entries: Sequence[LogEntry]) -> list[ProbeOut]:
    """The spans that begin with a jump of a whole unit."""
    time_us, value = samples.time_us, samples.value
    starts = np.flatnonzero(_jumped(time_us, value))
    spans: list[ProbeOut] = []
    done = 0
    for start in starts.tolist():
        earlier = value[max(done, start - 1 - BASELINE) : start - 1]
        if start < done or not (len(earlier) or spans):
            continue
        before = median(earlier) if len(earlier) else spans[-1].before or 0.0
        first = start if abs(value[start - 1] - before) < JUMP_PH / 3 else start - 1
        if abs(value[start] - before) < JUMP_PH or _explained(time_us[first], key, entries):
            continue
        end = _end(samples, first, before, key, entries)
        end_us = None if end is None else int(time_us[end])
        spans.append(ProbeOut(key, int(time_us[first]), end_us, before))
        if end is None:
            break
        done = end
    return spans


def _jumped(time_us: npt.NDArray[np.int64], value: npt.NDArray[np.float64]) -> Mask:
    """Whether each value is a whole unit away from the one or two before it, shortly before."""
    found = np.zeros(len(value), np.bool_)
    for back in (1, 2):
        far = np.abs(value[back:] - value[:-back]) >= JUMP_PH
        found[back:] |= far & (time_us[back:] - time_us[:-back] <= WITHIN_US)
    return found


def _explained(at_us: int, key: SeriesKey, entries: Sequence[LogEntry]) -> bool:
    """Whether a water change or a calibration around a jump explains it."""
    for one in entries:
        apart_us = int(at_us) - to_us(one.time)
        if one.kind == LogKind.WATER_CHANGE and abs(apart_us) <= NEW_WATER_US:
            return True
        if one.kind == LogKind.CALIBRATION and _concerns(one, key) and 0 <= apart_us <= SETTLED_US:
            return True
    return False


def _end(
    samples: Samples, first: int, before: float, key: SeriesKey, entries: Sequence[LogEntry]
) -> int | None:
    """The first reading that counts again: the second as before, or after somebody's word."""
    near = np.abs(samples.value - before) < BACK_PH
    twice = near[first + 1 :] & near[first:-1]
    ends = [first + 1 + int(at) for at in np.flatnonzero(twice)[:1]]
    start_us = int(samples.time_us[first])
    for one in entries:
        if to_us(one.time) < start_us or not _concerns(one, key):
            continue
        if one.kind in (LogKind.PROBE_BACK, LogKind.CALIBRATION):
            settled_us = SETTLED_US if one.kind == LogKind.CALIBRATION else 0
            ends.append(int(np.searchsorted(samples.time_us, to_us(one.time) + settled_us)))
    end = min(ends, default=len(samples))
    return end if end < len(samples) else None
