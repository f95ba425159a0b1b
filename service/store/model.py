"""What is stored: readings, their flags, and the arrays that come back."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntFlag
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

DEFAULT_SENSOR: Final = "main"
"""The sensor of a reading that names none."""


class Flag(IntFlag):
    """Doubts about a reading; a flagged reading is kept and can be asked for.

    The bits are stored: never renumber them.
    """

    NONE = 0
    IMPLAUSIBLE = 1  # outside the quantity's plausible range
    SPIKE = 2  # far from its neighbours
    STUCK = 4  # has not moved beyond noise for too long
    LATE = 8  # measured long before it arrived
    CLOCK = 16  # the sensor's clock was wrong: time is that of arrival; imported: ahead
    UNCALIBRATED = 32  # the sensor's calibration is missing or too old
    DISAGREES = 64  # a redundant sensor says otherwise
    RETAINED = 128  # a retained message: not known to be fresh
    TIME_CORRECTED = 256  # the sensor's clock is off by a known constant: the time is corrected


#: A reading with any of these does not count for derived values.
NOT_USABLE = Flag.IMPLAUSIBLE | Flag.SPIKE | Flag.STUCK | Flag.CLOCK | Flag.RETAINED


@dataclass(frozen=True, slots=True, order=True)
class SeriesKey:
    """Names one series: what one sensor says of one quantity in one tank."""

    tank: str
    quantity: str
    sensor: str


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured value.

    Attributes:
        tank, quantity, sensor: the series it belongs to.
        time_us: when it was measured, microseconds since 1970-01-01 UTC.
        value: in the canonical unit of the quantity (``service.quantities.QUANTITIES``).
        flags: doubts.
        raw: the number before calibration, where one changed it: in the canonical unit, or in
            the scale that was calibrated (mV, lx). None: there was nothing to calibrate.
    """

    tank: str
    quantity: str
    sensor: str
    time_us: int
    value: float
    flags: Flag = Flag.NONE
    raw: float | None = None

    @property
    def key(self) -> SeriesKey:
        """The series this reading belongs to."""
        return SeriesKey(self.tank, self.quantity, self.sensor)


@dataclass(frozen=True, slots=True)
class Samples:
    """Readings of one series as arrays of one length, sorted by time, each time once.

    Attributes:
        time_us: int64, microseconds since 1970-01-01 UTC.
        value: float64, canonical unit.
        flags: int32, bits of ``Flag``.
        raw: float64, the numbers before calibration, NaN where none changed them; None when not
            asked for.
    """

    time_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    flags: npt.NDArray[np.int32]
    raw: npt.NDArray[np.float64] | None = None

    def __len__(self) -> int:
        return len(self.time_us)

    @property
    def time_s(self) -> npt.NDArray[np.float64]:
        """The times as float64 seconds since 1970-01-01 UTC, for ``service.science``."""
        return self.time_us / 1e6

    def usable(self) -> Samples:
        """Only the readings without a flag of ``NOT_USABLE``."""
        return self.taken((self.flags & int(NOT_USABLE)) == 0)

    def taken(self, which: slice | npt.NDArray[np.bool_] | npt.NDArray[np.intp]) -> Samples:
        """Some of them: a stretch, those of a mask, or those of indices."""
        raw = None if self.raw is None else self.raw[which]
        return Samples(self.time_us[which], self.value[which], self.flags[which], raw)

    @classmethod
    def empty(cls) -> Samples:
        """No readings."""
        return cls(np.empty(0, np.int64), np.empty(0, np.float64), np.empty(0, np.int32))


#: What can be asked of the readings in a span, beside their number; ``mean`` fills ``sum``.
Aggregate = Literal["mean", "min", "max", "first", "last"]
AGGREGATES: Final[tuple[Aggregate, ...]] = ("mean", "min", "max", "first", "last")
MEAN_ALONE: Final[tuple[Aggregate, ...]] = ("mean",)


@dataclass(frozen=True, slots=True)
class Buckets:
    """Aggregates of one series over equal spans of time; empty spans are left out.

    Attributes:
        start_us: int64, start of each span: multiples of ``every_us`` since 1970-01-01 UTC.
        every_us: length of a span.
        count: int64, usable readings in the span.
        sum, min, max, first, last: float64, canonical unit; NaN where not asked for.
    """

    start_us: npt.NDArray[np.int64]
    every_us: int
    count: npt.NDArray[np.int64]
    sum: npt.NDArray[np.float64]
    min: npt.NDArray[np.float64]
    max: npt.NDArray[np.float64]
    first: npt.NDArray[np.float64]
    last: npt.NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.start_us)

    @property
    def mean(self) -> npt.NDArray[np.float64]:
        """Mean of each span, float64."""
        return self.sum / self.count


@dataclass(frozen=True, slots=True)
class SeriesInfo:
    """One series of the store and its newest reading by time, flagged or not."""

    key: SeriesKey
    last: Reading


@dataclass(frozen=True, slots=True)
class Extent:
    """How many readings a series has, flagged ones too, and between which times."""

    count: int
    first_us: int
    last_us: int


@dataclass(frozen=True, slots=True)
class StoreHealth:
    """How a store is: reachable, when it last took a write in this process, what is wrong."""

    reachable: bool
    backend: str
    detail: str = ""
    numbers: dict[str, float] = field(default_factory=dict)
