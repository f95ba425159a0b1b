"""Recalculates stored readings from their raw numbers, after a calibration was corrected."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.decode.message import PayloadError
from ingest.process.calibration import Calibrations
from ingest.process.water_temperature import thermometers
from service.quantities import QUANTITIES
from service.registry.models.log import LogEntry
from service.store import DEFAULT_SENSOR, Flag, Reading, Samples, SeriesKey, Store

_STEP_US: Final = 86_400_000_000
_BATCH: Final = 5000
#: A calibration in pH moves a reading by less. Our choice.
_MOST_CORRECTED_PH: Final = 3.0


@dataclass(frozen=True, slots=True)
class Recalculated:
    """How many readings were read, and how many changed."""

    readings: int
    changed: int


def recalculate(
    store: Store,
    entries: Iterable[LogEntry],
    key: SeriesKey,
    start_us: int,
    end_us: int,
    *,
    raw_scale: str | None = None,
    order: Sequence[str] = (DEFAULT_SENSOR,),
) -> Recalculated:
    """Apply the log's calibrations to stored readings; their times stay.

    Flags that come from the calibration or the plausible range are decided again; all others
    stay. Recalculating twice changes nothing more.

    Args:
        entries: the calibrations in the log now.
        start_us, end_us: half-open span.
        raw_scale: of what was sent (mV, lx), where no calibration is left that says it; None: found
            by the readings.
        order: the tank's thermometers in the order of belief.

    Raises:
        StoreUnavailableError, StoreRefusedError: as the store finds.
    """
    calibrations = Calibrations(entries)
    count = changed = 0
    for start in range(start_us, end_us, _STEP_US):
        end = min(start + _STEP_US, end_us)
        samples = store.read(key, start, end, flagged=True, raw=True)
        if not len(samples):
            continue
        series = (key.tank, key.quantity, key.sensor)
        scale = calibrations.raw_scale(series) or raw_scale or _scale_of(samples, key.quantity)
        temperatures = _temperatures(store, key.tank, order, start, end)
        readings = _changed(samples, key, calibrations, scale, temperatures)
        count += len(samples)
        changed += len(readings)
        for first in range(0, len(readings), _BATCH):
            store.write(readings[first : first + _BATCH])
    return Recalculated(count, changed)


def _changed(
    samples: Samples,
    key: SeriesKey,
    calibrations: Calibrations,
    scale: str | None,
    temperatures: tuple[Sequence[float], Sequence[float]],
) -> list[Reading]:
    """The readings that change."""
    series = (key.tank, key.quantity, key.sensor)
    limits = QUANTITIES[key.quantity]
    assert samples.raw is not None
    readings = []
    for time_us, value, flags, sent in zip(
        samples.time_us.tolist(),
        samples.value.tolist(),
        samples.flags.tolist(),
        samples.raw.tolist(),
        strict=True,
    ):
        has_raw = sent == sent  # not NaN
        celsius = None
        if temperatures[0]:
            celsius = float(np.interp(time_us, *temperatures))
        try:
            result = calibrations.apply(
                series,
                sent if has_raw else value,
                scale if has_raw else None,
                time_us,
                celsius,
            )
        except PayloadError:
            continue  # no calibration applies any more: the stored value stays
        new_flags = Flag(flags) & ~(Flag.UNCALIBRATED | Flag.IMPLAUSIBLE) | result.flags
        if not limits.plausible_low <= result.value <= limits.plausible_high:
            new_flags |= Flag.IMPLAUSIBLE
        if (result.value, int(new_flags)) != (value, flags):
            readings.append(
                Reading(
                    key.tank, key.quantity, key.sensor, time_us, result.value, new_flags, result.raw
                )
            )
    return readings


def _scale_of(samples: Samples, quantity: str) -> str | None:
    """Millivolts where what an electrode sent is further from its pH than any correction."""
    if quantity != "ph" or samples.raw is None:
        return None
    sent = samples.raw[~np.isnan(samples.raw)]
    value = samples.value[~np.isnan(samples.raw)]
    return "mV" if bool(np.any(np.abs(sent - value) > _MOST_CORRECTED_PH)) else None


def _temperatures(
    store: Store, tank: str, order: Sequence[str], start_us: int, end_us: int
) -> tuple[Sequence[float], Sequence[float]]:
    """The tank's water temperature in a span, by the first thermometer that has any."""
    for key in thermometers(store, tank, order):
        samples = store.read(key, start_us, end_us)
        if len(samples):
            return samples.time_us.tolist(), samples.value.tolist()
    return (), ()
