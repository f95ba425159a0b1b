"""A two-point calibration of a pH sensor: what it showed in two buffers -> slope, offset, entry.

A sensor sends millivolts, or pH by a conversion of its own. Of the latter the slope is what its
conversion and electrode reach together, against the ideal: 100 % shows the buffers' distance.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from service.science.numeric.checks import OutOfRangeError
from service.science.sensors.buffers import BUFFER_SETS
from service.science.sensors.ph_electrode import (
    Calibration,
    CalibrationPoint,
    Verdict,
    calibrate,
    electrode_verdict,
    nernst_mv_per_ph,
)

MILLIVOLTS: Final = "mV"
NEUTRAL_PH: Final = 7.0


@dataclass(frozen=True, slots=True)
class BufferPair:
    """Two buffers of a set, the one near pH 7 first."""

    buffer_set: str
    first: str
    second: str

    @property
    def key(self) -> str:
        """How a form names it."""
        return f"{self.buffer_set}:{self.first}:{self.second}"

    @property
    def names(self) -> tuple[str, str]:
        """Of the two buffers."""
        return self.first, self.second


PAIRS: Final = (
    BufferPair("technical", "7.00", "4.01"),
    BufferPair("technical", "7.00", "10.01"),
    BufferPair("nist", "phosphate", "phthalate"),
    BufferPair("nist", "phosphate", "borax"),
)


@dataclass(frozen=True, slots=True)
class Shown:
    """What a sensor showed in the two buffers.

    Attributes:
        scale: ``mV``, or None for pH.
        celsius: of the buffers.
        zero_mv, gain: of an amplifier: electrode mV = (sent - zero) / gain.
    """

    first: float
    second: float
    scale: str | None
    celsius: float
    zero_mv: float = 0.0
    gain: float = 1.0


@dataclass(frozen=True, slots=True)
class TwoPoint:
    """A calibration with its verdict, and the data of its log entry."""

    line: Calibration
    verdict: Verdict
    data: Mapping[str, Any]


def ph_of(pair: BufferPair, name: str, celsius: float) -> float:
    """pH of a buffer at a temperature.

    Raises:
        OutOfRangeError: outside the buffer's table.
    """
    return float(BUFFER_SETS[pair.buffer_set][name].ph_at(celsius))


def two_point(sensor: str, pair: BufferPair, shown: Shown) -> TwoPoint:
    """The calibration that two buffers give.

    Raises:
        OutOfRangeError: what was shown gives no line, such as twice the same buffer.
    """
    if shown.gain == 0:
        raise OutOfRangeError("gain", shown.gain, "any number but 0")
    buffers = BUFFER_SETS[pair.buffer_set]
    true = [ph_of(pair, name, shown.celsius) for name in pair.names]
    numbers = (shown.first, shown.second)
    if shown.scale == MILLIVOLTS:
        millivolts = [(one - shown.zero_mv) / shown.gain for one in numbers]
    else:
        # What an ideal electrode would give for the pH that is shown.
        nernst = float(nernst_mv_per_ph(shown.celsius))
        millivolts = [(NEUTRAL_PH - one) * nernst for one in numbers]
    line = calibrate(
        [
            CalibrationPoint(buffers[name], one, shown.celsius)
            for name, one in zip(pair.names, millivolts, strict=True)
        ]
    )
    data: dict[str, Any] = {"quantity": "ph", "sensor": sensor}
    if shown.scale == MILLIVOLTS:
        data["points"] = [
            {"buffer": name, "millivolts": one, "temperature_c": shown.celsius}
            for name, one in zip(pair.names, numbers, strict=True)
        ]
        if pair.buffer_set != "technical":
            data["buffers"] = pair.buffer_set
        if (shown.zero_mv, shown.gain) != (0.0, 1.0):
            data |= {"zero_mv": shown.zero_mv, "gain": shown.gain}
    else:
        data["points"] = [
            {"reading": one, "reference": reference}
            for one, reference in zip(numbers, true, strict=True)
        ]
    return TwoPoint(line, electrode_verdict(line), data)
