"""Admits new series within limits: how many a tank may have, and how many may come in an hour."""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from ingest.process.series import SeriesName
from service.errors import LittoralError
from service.store import SeriesKey

_log = logging.getLogger(__name__)
_HOUR_S: Final = 3600.0
#: Least time between two questions to the store about one tank, s.
_RECHECK_S: Final = 1.0
#: The same after the store could not answer, and for a tank that is full, s.
_PAUSE_S: Final = 5.0
#: Tanks that are remembered; the one first seen goes first. The store knows its series.
_TANKS: Final = 10_000

#: Tank -> the keys of its series in the store; ``LittoralError`` when it cannot be asked.
StoredSeries = Callable[[str], Iterable[SeriesKey]]


@dataclass(frozen=True, slots=True)
class SensorLimits:
    """Limits of the series of one tank; a sensor that measures two quantities counts twice.

    Attributes:
        per_tank: how many it may have; those that are stored already always count on.
        per_hour: how many new ones may come within an hour.
    """

    per_tank: int
    per_hour: int


@dataclass(slots=True)
class _Known:
    """What is known of one tank.

    Attributes:
        series: those that were admitted here, and those that the store has.
        admitted_s: times of the new ones of the last hour.
        ask_from_s: when the store may be asked again.
        complete: the store has been asked.
    """

    series: tuple[SeriesName, ...] = ()
    admitted_s: tuple[float, ...] = ()
    ask_from_s: float = 0.0
    complete: bool = False


class Admission:
    """Decides whether a series may be stored; used by one thread.

    While the store cannot be asked, series are admitted up to ``per_tank`` whatever the hour: most
    of them are not new, only not known here.
    """

    def __init__(
        self,
        limits: SensorLimits | None,
        stored: StoredSeries | None,
        *,
        ask_s: float = math.inf,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Start without memory.

        Args:
            limits: None: every series is admitted.
            stored: None: there is no store.
            ask_s: time of each batch that may be spent on asking the store, from the first tank
                that it is asked about.
        """
        self._limits = limits
        self._stored = stored
        self._ask_s = ask_s
        self._clock_s = clock_s
        #: None: it was not asked in this batch.
        self._ask_until_s: float | None = None
        self._tanks: dict[str, _Known] = {}
        #: Those of all these tanks -> when it was admitted here, s; 0: the store has it.
        self._series: dict[SeriesName, float] = {}

    def begin_batch(self) -> None:
        """Grant a new batch its time for asking the store."""
        self._ask_until_s = None

    def refusal(self, name: SeriesName) -> str:
        """Why a series may not be stored, naming the limit; "" where it may.

        A series that may be stored counts from now on.
        """
        if name in self._series or self._limits is None:
            return ""
        return self._of_unknown(name, self._limits)

    def forget(self, key: SeriesKey) -> None:
        """A series could not be stored: it does not count, unless the store has it."""
        name = (key.tank, key.quantity, key.sensor)
        if self._series.pop(name, None) is not None:
            known = self._tanks[key.tank]
            known.series = tuple([one for one in known.series if one != name])

    def _of_unknown(self, name: SeriesName, limits: SensorLimits) -> str:
        tank, quantity, sensor = name
        now_s = self._clock_s()
        known = self._tanks.get(tank)
        if known is None:
            if len(self._tanks) >= _TANKS:
                for one in self._tanks.pop(next(iter(self._tanks))).series:
                    del self._series[one]
            known = self._tanks[tank] = _Known()
        if self._ask_until_s is None:
            self._ask_until_s = now_s + self._ask_s
        if known.ask_from_s <= now_s < self._ask_until_s:
            self._ask(tank, known, now_s)
            if name in self._series:
                return ""
        what = f"sensor is {quantity} {sensor}, a new one of tank {tank}"
        if len(known.series) >= limits.per_tank:
            known.ask_from_s = max(known.ask_from_s, now_s + _PAUSE_S)
            return (
                f"{what}, which has {len(known.series)}; allowed: {limits.per_tank} sensors in a "
                "tank (ingest.sensors_per_tank)"
            )
        if known.complete:
            last_hour = [one for one in known.admitted_s if one > now_s - _HOUR_S]
            if len(last_hour) >= limits.per_hour:
                return (
                    f"{what}; allowed: {limits.per_hour} new sensors of a tank in an hour "
                    "(ingest.new_sensors_per_hour)"
                )
            known.admitted_s = (*last_hour, now_s)
        known.series = (*known.series, name)
        self._series[name] = now_s
        return ""

    def _ask(self, tank: str, known: _Known, now_s: float) -> None:
        """Take what the store has; what was admitted within the hour may still be on its way."""
        if self._stored is None:
            known.complete = True
            return
        try:
            stored = list(self._stored(tank))
        except LittoralError as error:
            _log.info("the sensors of %s are not known: %s", tank, error.detail)
            known.ask_from_s = now_s + _PAUSE_S
            return
        known.ask_from_s, known.complete = now_s + _RECHECK_S, True
        admitted = {name: self._series.pop(name) for name in known.series}
        series = {
            name: at_s for name, at_s in admitted.items() if at_s and at_s > now_s - _HOUR_S
        } | {(tank, one.quantity, one.sensor): 0.0 for one in stored}
        self._series |= series
        known.series = tuple(series)
