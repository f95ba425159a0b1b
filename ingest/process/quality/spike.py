"""Spike detection: a value far from those before it, and not confirmed by those after it."""

from __future__ import annotations

from array import array
from statistics import median
from typing import Final

from ingest.process.quality.limits import Limits
from service.store import Reading

#: Values that a new one is compared with.
WINDOW: Final = 9
#: Fewer are too few to compare with.
_LEAST: Final = 5
#: Hampel's identifier: further from the median than this many scaled median absolute deviations.
#: L. Davies, U. Gather, J. Am. Stat. Assoc. 88 (1993) 782, doi:10.1080/01621459.1993.10476339;
#: 3 and the factor for normal noise as in R. K. Pearson, IEEE Trans. Control Syst. Technol. 10
#: (2002) 55, doi:10.1109/87.974338 (both from memory).
_DEVIATIONS: Final = 3.0
_MAD_TO_SD: Final = 1.4826
#: So many readings that agree with each other are a step of the water, not of the sensor.
_CONFIRM: Final = 3
#: They agree within this share of the step. Our choice: salt that is not mixed yet.
_RESTLESS: Final = 0.25


class SpikeDetector:
    """Detects spikes among the values of one series in the order of their times.

    A value far away from the median of the last ones is a suspect at once. When ``_CONFIRM``
    in a row agree with each other it was a step (such as a water change), and the flag of the
    earlier ones is removed.
    """

    __slots__ = ("_drift_us", "_on_the_way", "_step", "_suspects", "_values")

    def __init__(self, limits: Limits) -> None:
        """Start without values; the limits have a ``step``."""
        assert limits.step is not None
        self._step = limits.step
        self._drift_us = limits.drift_h / 3.6e9
        self._values = array("d")  # a quarter of a list's memory, for each of 10,000 series
        self._suspects: list[Reading] = []
        self._on_the_way: list[Reading] = []

    def is_suspect(self, value: float, elapsed_us: int) -> bool:
        """Whether a value is far from those before it, the last of them ``elapsed_us`` ago."""
        values = self._values
        # The usual case first: it has moved less than a spike would.
        if len(values) < _LEAST:
            return False
        moved = abs(value - values[-1])
        if moved <= self._step:
            return False
        middle = median(values)
        spread = median([abs(v - middle) for v in values])
        reach = max(self._step, _DEVIATIONS * _MAD_TO_SD * spread)
        return abs(value - middle) > reach and moved > reach + self._drift_us * elapsed_us

    def accept(self, value: float) -> None:
        """Add a value that is no suspect to the last ones."""
        if self._suspects:
            self._suspects, self._on_the_way = [], []
        self._values.append(value)
        if len(self._values) > WINDOW:
            del self._values[0]

    def suspect(self, reading: Reading) -> list[Reading]:
        """Remember a suspect.

        Returns:
            The suspects so far and this one, if they confirm each other: it was a step, and
            they become the new neighbourhood; before them those on the way to it. Empty otherwise.
        """
        if self._suspects and not self._agrees(reading.value):
            self._on_the_way = [*self._on_the_way, *self._suspects][-_CONFIRM:]
            self._suspects = []
        self._suspects.append(reading)
        if len(self._suspects) < _CONFIRM:
            return []
        ends = sorted((median(self._values), self._suspects[0].value))
        passed = [one for one in self._on_the_way if ends[0] <= one.value <= ends[1]]
        confirmed, self._suspects, self._on_the_way = self._suspects, [], []
        self._values = array("d", [r.value for r in confirmed])
        return [*passed, *confirmed]

    def _agrees(self, value: float) -> bool:
        """Whether a suspect confirms the one before it: the water is restless after a step."""
        last = self._suspects[-1].value
        return abs(value - last) <= max(self._step, _RESTLESS * abs(last - median(self._values)))

    def resume(self, values: array[float], away_us: int) -> list[Reading]:
        """Go on from values that are known to be sound.

        Args:
            away_us: until then the series was away from them.

        Returns:
            The suspects after that: they are sound.
        """
        sound = [one for one in self._suspects if one.time_us > away_us]
        self._values, self._suspects, self._on_the_way = values, [], []
        return sound

    def forget(self) -> None:
        """Forget all values, such as after a long silence."""
        del self._values[:]
        self._suspects, self._on_the_way = [], []
