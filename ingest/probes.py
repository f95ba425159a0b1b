"""Raw volts and lux to a quantity, and small corrections, by the sensor's calibration."""

from __future__ import annotations

from typing import NamedTuple

from ingest.decode import Sample
from ingest.message import PayloadError, Reason
from service.store import Flag


class Calibrated(NamedTuple):
    """A value after calibration.

    Attributes:
        value: canonical unit.
        raw: the number before, where a calibration changed it.
        flags: ``UNCALIBRATED`` where the calibration is missing or too old.
    """

    value: float
    raw: float | None
    flags: Flag


class Calibrations:
    """The calibrations in force, by series."""

    def concern(self, sample: Sample) -> bool:
        """Whether there is a calibration of the sample's series."""
        return False

    def apply(self, sample: Sample, time_us: int) -> Calibrated:
        """Calibrate one sample.

        Raises:
            PayloadError: the sample is raw and nothing says what it means.
        """
        if sample.raw is None:
            return Calibrated(sample.value, None, Flag.NONE)
        raise PayloadError(
            Reason.NOT_CALIBRATED,
            f"{sample.quantity} of {sample.sensor!r} comes in {sample.raw}; allowed after a "
            "calibration of this sensor is in the log",
        )
