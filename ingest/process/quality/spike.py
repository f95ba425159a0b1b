"""Spike detection: a value far from those before it, and not confirmed by those after it."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from statistics import median
from typing import Final

from ingest.process.quality.limits import Limits
from ingest.process.quality.windows import Windows
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


@dataclass(slots=True)
class _Suspects:
    """Suspects of a series, the last of them in agreement, and earlier ones on the way there."""

    agreeing: list[Reading] = field(default_factory=list)
    on_the_way: list[Reading] = field(default_factory=list)


class SpikeDetector:
    """Detects spikes among the values of each series of a quantity in the order of their times.

    A value far away from the median of the last ones is a suspect at once. When ``_CONFIRM``
    in a row agree with each other it was a step (such as a water change), and the flag of the
    earlier ones is removed.
    """

    __slots__ = ("_drift_us", "_step", "_suspects", "_values")

    def __init__(self, limits: Limits) -> None:
        """Start without slots; the limits have a ``step``."""
        assert limits.step is not None
        self._step = limits.step
        self._drift_us = limits.drift_h / 3.6e9
        self._values: Windows[float] = Windows("d", WINDOW)
        #: Of those series alone that have some.
        self._suspects: dict[int, _Suspects] = {}

    def add_slots(self, count: int) -> None:
        """Make room for so many series more."""
        self._values.add_slots(count)

    def clear(self, slot: int) -> None:
        """Forget all values of a series, such as after a long silence."""
        self._values.clear(slot)
        self._suspects.pop(slot, None)

    def is_suspect(self, slot: int, value: float, elapsed_us: int) -> bool:
        """Whether a value is far from those before it, the last of them ``elapsed_us`` ago."""
        # The usual case first: it has moved less than a spike would. NaN: too few to compare with.
        moved = abs(value - self._values.last(slot, _LEAST))
        if not moved > self._step:
            return False
        values = self._values.of(slot)
        middle = median(values)
        spread = median([abs(v - middle) for v in values])
        reach = max(self._step, _DEVIATIONS * _MAD_TO_SD * spread)
        return abs(value - middle) > reach and moved > reach + self._drift_us * elapsed_us

    def accept(self, slot: int, value: float) -> None:
        """Add a value that is no suspect to the last ones."""
        if slot in self._suspects:
            del self._suspects[slot]
        self._values.append(slot, value)

    def accept_all(self, slot: int, values: array[float]) -> None:
        """Add values that are no suspects to the last ones."""
        self._suspects.pop(slot, None)
        self._values.extend(slot, values)

    def suspect(self, slot: int, reading: Reading) -> list[Reading]:
        """Remember a suspect.

        Returns:
            The suspects so far and this one, if they confirm each other: it was a step, and
            they become the new neighbourhood; before them those on the way to it. Empty otherwise.
        """
        found = self._suspects.get(slot)
        if found is None:
            found = self._suspects[slot] = _Suspects()
        elif not self._agrees(slot, found.agreeing[-1].value, reading.value):
            found.on_the_way = [*found.on_the_way, *found.agreeing][-_CONFIRM:]
            found.agreeing = []
        found.agreeing.append(reading)
        if len(found.agreeing) < _CONFIRM:
            return []
        ends = sorted((median(self._values.of(slot)), found.agreeing[0].value))
        passed = [one for one in found.on_the_way if ends[0] <= one.value <= ends[1]]
        del self._suspects[slot]
        self._values.replace(slot, array("d", [one.value for one in found.agreeing]))
        return [*passed, *found.agreeing]

    def _agrees(self, slot: int, last: float, value: float) -> bool:
        """Whether a suspect confirms the one before it: the water is restless after a step."""
        middle = median(self._values.of(slot))
        return abs(value - last) <= max(self._step, _RESTLESS * abs(last - middle))

    def resume(self, slot: int, values: array[float], away_us: int) -> list[Reading]:
        """Go on from values that are known to be sound.

        Args:
            away_us: until then the series was away from them.

        Returns:
            The suspects after that: they are sound.
        """
        suspects = self._suspects.pop(slot, None)
        self._values.replace(slot, values)
        if suspects is None:
            return []
        return [one for one in suspects.agreeing if one.time_us > away_us]
