"""Raw volts and lux to a quantity, and small corrections, by the sensors' calibrations."""

from __future__ import annotations

import logging
import math
from collections.abc import Iterable
from typing import Final, NamedTuple

from ingest.decode.decoder import Sample
from ingest.decode.message import PayloadError, Reason
from ingest.decode.routes import sensor_name
from service.errors import InvalidInputError
from service.registry.calibration import Calibration, ideal, read_calibration
from service.registry.models import LogEntry
from service.store import Flag
from service.times import to_us

_log = logging.getLogger(__name__)
#: A water temperature older than this does not compensate an electrode any more, microseconds.
_TEMPERATURE_AGE_US: Final = 3_600_000_000

Series = tuple[str, str, str]


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
    """The calibrations of all series, each in force from its time on; used by one thread."""

    def __init__(self, entries: Iterable[LogEntry] = ()) -> None:
        self._by_series: dict[Series, list[Calibration]] = {}
        self._temperatures: dict[str, tuple[int, float]] = {}
        self._known: list[LogEntry] | None = None
        self.faults: tuple[str, ...] = ()
        self.replace(entries)

    def replace(self, entries: Iterable[LogEntry]) -> bool:
        """Take the log's entries in place of those before; True if something changed.

        An entry that cannot be read changes nothing and is told in ``faults``.
        """
        entries = list(entries)
        if entries == self._known:
            return False
        by_series: dict[Series, list[Calibration]] = {}
        faults = []
        for entry in entries:
            try:
                quantity, sensor, found = read_calibration(entry.data, to_us(entry.time))
            except InvalidInputError as error:
                faults.append(f"calibration {entry.id} of {entry.tank}: {error.detail}")
                _log.warning("%s", faults[-1])
            else:
                # as readings are named: what is written on the sensor may have capitals
                series = (entry.tank, quantity, sensor_name(sensor))
                by_series.setdefault(series, []).append(found)
        for calibrations in by_series.values():
            calibrations.sort(key=lambda calibration: calibration.time_us)
        self._by_series = by_series
        self._known = entries
        self.faults = tuple(faults)
        return True

    def concern(self, sample: Sample) -> bool:
        """Whether there is a calibration of the sample's series."""
        return (sample.tank, sample.quantity, sample.sensor) in self._by_series

    def raw_scale(self, series: Series) -> str | None:
        """The raw scale in which a series comes, by its calibrations; None: canonical."""
        scales = {c.raw for c in self._by_series.get(series, ())} - {None}
        return next(iter(scales), None)

    def apply(self, sample: Sample, time_us: int) -> Calibrated:
        """Calibrate one sample.

        Args:
            time_us: when it was measured.

        Raises:
            PayloadError: the sample is raw and nothing says what it means.
        """
        temperature_c = None
        if sample.raw == "mV":
            seen_us, celsius = self._temperatures.get(sample.tank, (0, 0.0))
            if abs(time_us - seen_us) <= _TEMPERATURE_AGE_US:
                temperature_c = celsius
        return self.calibrate(
            (sample.tank, sample.quantity, sample.sensor),
            sample.value,
            sample.raw,
            time_us,
            temperature_c,
        )

    def calibrate(
        self,
        series: Series,
        value: float,
        raw: str | None,
        time_us: int,
        temperature_c: float | None,
    ) -> Calibrated:
        """Calibrate one number; parameters and errors as ``apply``."""
        fitting = [c for c in self._by_series.get(series, ()) if c.raw == raw]
        in_force = [c for c in fitting if c.time_us <= time_us]
        if in_force:
            chosen, doubt = in_force[-1], Flag.NONE
            if chosen.due_us is not None and time_us > chosen.due_us:
                doubt = Flag.UNCALIBRATED
            result = chosen.curve(value, temperature_c)
        elif raw is None:
            return Calibrated(value, None, Flag.NONE)
        else:
            # A raw number from before the first calibration: that is nearer than none.
            curve = fitting[0].curve if fitting else ideal(series[1], raw)
            if curve is None:
                raise PayloadError(
                    Reason.NOT_CALIBRATED,
                    f"{series[1]} of sensor {series[2]!r} comes in {raw}; allowed once a "
                    "calibration of it is in the log",
                )
            result, doubt = curve(value, temperature_c), Flag.UNCALIBRATED
        if not math.isfinite(result):
            raise PayloadError(Reason.NOT_FINITE, f"value is {value!r}; allowed: a smaller number")
        return Calibrated(result, value if raw is not None or result != value else None, doubt)

    def note_temperature(self, tank: str, time_us: int, celsius: float) -> None:
        """Remember a tank's water temperature, to compensate its electrodes."""
        self._temperatures[tank] = (time_us, celsius)
