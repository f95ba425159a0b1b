"""A pH electrode's line and state from its buffers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.science.numeric.checks import OutOfRangeError
from service.science.sensors.buffers import BUFFER_SETS
from service.science.sensors.ph_electrode import (
    Calibration,
    CalibrationPoint,
    Verdict,
    calibrate,
    electrode_verdict,
    nernst_mv_per_ph,
    ph_from_millivolts,
)

ROOM_C: Final = 25.0


@dataclass(frozen=True, slots=True)
class BufferReading:
    """What an electrode reads in one buffer."""

    buffer: str
    millivolts: float
    temperature_c: float = ROOM_C


@dataclass(frozen=True, slots=True)
class Electrode:
    """The line of an electrode, how it is judged, and the pH of a reading by it.

    Attributes:
        nernst_mv_per_ph: ideal slope at 25 °C.
    """

    line: Calibration
    verdict: Verdict
    ph: float | None
    nernst_mv_per_ph: float


def electrode(
    points: Sequence[BufferReading],
    *,
    buffer_set: str = "technical",
    millivolts: float | None = None,
    temperature_c: float = ROOM_C,
) -> Electrode:
    """A pH electrode's offset, slope and state from two or more buffers.

    Args:
        millivolts, temperature_c: of a reading to be turned into pH.

    Raises:
        OutOfRangeError: a buffer that the set lacks, or points that give no line.
    """
    names = BUFFER_SETS[buffer_set]
    for number, point in enumerate(points):
        if point.buffer not in names:
            allowed = f"{', '.join(names)} in the set {buffer_set}"
            raise OutOfRangeError(f"points.{number}.buffer", point.buffer, allowed)
    line = calibrate(
        [CalibrationPoint(names[one.buffer], one.millivolts, one.temperature_c) for one in points]
    )
    ph = None if millivolts is None else float(ph_from_millivolts(millivolts, temperature_c, line))
    nernst = float(nernst_mv_per_ph(ROOM_C))
    return Electrode(line, electrode_verdict(line), ph, nernst)
