"""Applies the sensors' calibrations: raw millivolts and lux to a quantity, and corrections."""

from __future__ import annotations

import logging
import math
from collections.abc import Iterable
from typing import NamedTuple

from ingest.decode.message import PayloadError, Reason
from ingest.decode.routes import sensor_name
from ingest.process.series import SeriesName
from service.errors import InvalidInputError
from service.registry.log.calibration import Calibration, ideal, read_calibration
from service.registry.models.log import LogEntry, oldest_first
from service.store import Flag
from service.times import to_us

_log = logging.getLogger(__name__)


class Calibrated(NamedTuple):
    """A value after calibration.

    Attributes:
        value: canonical unit.
        raw: the number before, where a calibration changed it: in the raw scale, or in the
            canonical unit.
        flags: ``UNCALIBRATED`` where the calibration is missing or too old.
    """

    value: float
    raw: float | None
    flags: Flag


class Calibrations:
    """The calibrations of all series, each in force from its time on.

    Attributes:
        faults: entries of the log that cannot be read, a sentence each; they change nothing.
    """

    def __init__(self, entries: Iterable[LogEntry] = ()) -> None:
        """Read the calibrations of the log, given newest first."""
        by_series: dict[SeriesName, list[Calibration]] = {}
        faults = []
        for entry in oldest_first(entries):
            try:
                quantity, sensor, found = read_calibration(entry.data, to_us(entry.time))
            except InvalidInputError as error:
                faults.append(f"calibration {entry.id} of {entry.tank}: {error.detail}")
                _log.warning("%s", faults[-1])
            else:
                # as readings are named: what is written on the sensor may have capitals
                series = (entry.tank, quantity, sensor_name(sensor))
                by_series.setdefault(series, []).append(found)
        self._by_series = by_series
        self.faults: tuple[str, ...] = tuple(faults)

    def apply_to(self, series: SeriesName) -> bool:
        """Whether there is a calibration of a series."""
        return bool(self._by_series) and series in self._by_series

    def raw_scale(self, series: SeriesName) -> str | None:
        """The raw scale in which a series comes, by its calibrations; None: canonical."""
        scales = {c.raw for c in self._by_series.get(series, ())} - {None}
        return next(iter(scales), None)

    def apply(
        self,
        series: SeriesName,
        value: float,
        scale: str | None,
        time_us: int,
        temperature_c: float | None = None,
    ) -> Calibrated:
        """Calibrate one number.

        Args:
            value: in the raw scale, or in the quantity's canonical unit.
            scale: the raw scale (``mV``, ``lx``); None: the canonical unit.
            time_us: when it was measured.
            temperature_c: the tank's water temperature then, °C, to compensate an electrode;
                None: unknown.

        Raises:
            PayloadError: the number is raw and there is no calibration for it.
        """
        fitting = [c for c in self._by_series.get(series, ()) if c.raw == scale]
        in_force = [c for c in fitting if c.time_us <= time_us]
        if in_force:
            chosen, doubt = in_force[-1], Flag.NONE
            if chosen.due_us is not None and time_us > chosen.due_us:
                doubt = Flag.UNCALIBRATED
            result = chosen.curve(value, temperature_c)
        elif scale is None:
            return Calibrated(value, None, Flag.NONE)
        else:
            # A raw number from before the first calibration: that is nearer than none.
            curve = fitting[0].curve if fitting else ideal(series[1], scale)
            if curve is None:
                raise PayloadError(
                    Reason.NOT_CALIBRATED,
                    f"{series[1]} of sensor {series[2]!r} comes in {scale}; allowed once a "
                    "calibration of it is in the log",
                )
            result, doubt = curve(value, temperature_c), Flag.UNCALIBRATED
        if not math.isfinite(result):
            raise PayloadError(Reason.NOT_FINITE, f"value is {value!r}; allowed: a smaller number")
        return Calibrated(result, value if scale is not None or result != value else None, doubt)
