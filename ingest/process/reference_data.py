"""Registered tanks, calibrations, device clocks and routes, cached from the registry."""

from __future__ import annotations

import logging
import time
from collections.abc import Mapping, Sequence
from typing import Final

from ingest.process.calibration import Calibrations
from ingest.process.series import SeriesName
from ingest.process.water_temperature import order_of_belief
from service.errors import LittoralError
from service.registry.models.ingest import StoredRoute
from service.registry.models.log import LogEntry, LogKind
from service.registry.registry import Registry

_log = logging.getLogger(__name__)
#: How old the cached data may grow, s.
REFRESH_S: Final = 5.0
#: Least time between two refreshes because of an unregistered tank, s: of the same one, and of one
#: that was not asked for since the last refresh, as a tank that was registered a moment ago.
RECHECK_S: Final = 1.0
RECHECK_NEW_S: Final = 0.1


class ReferenceData:
    """Tanks, calibrations, clocks and routes; when the registry is away, those of the last refresh.

    Used by one thread.

    Attributes:
        calibrations: those in the log at the last refresh.
        clocks: offsets of device clocks that are off, microseconds, by series.
        routes: those that people made; None until the registry has been read.
    """

    def __init__(self, registry: Registry) -> None:
        """Start empty; ``refresh`` reads the registry."""
        self._registry = registry
        self.calibrations = Calibrations()
        self.clocks: Mapping[SeriesName, int] = {}
        self.routes: Sequence[StoredRoute] | None = None
        self._choices: Mapping[str, Mapping[str, str]] = {}
        self._first: Mapping[str, Mapping[str, str]] = {}
        self._entries: list[LogEntry] = []
        self._tanks: frozenset[str] = frozenset()
        self._missed: set[object] = set()
        self._refreshed_s: float | None = None

    def refresh(self, *, at_least_s: float = REFRESH_S) -> bool:
        """Read the registry again if the cached data are older; False if it cannot be read."""
        now_s = time.monotonic()
        if self._refreshed_s is not None and now_s - self._refreshed_s < at_least_s:
            return True
        try:
            tanks = self._registry.tank_ids()
            logs = self._registry.logs(kinds=[LogKind.CALIBRATION])
            clocks = self._registry.all_device_clocks()
            routes = self._registry.routes()
            choices = self._registry.sensor_choices()
            first = self._registry.all_first_sensors()
        except LittoralError as error:
            _log.warning("the registry cannot be read: %s", error.detail)
            if self._refreshed_s is not None:
                self._refreshed_s = now_s
            return False
        if tanks != self._tanks:
            self._tanks = tanks
        entries = [entry for log in logs.values() for entry in log]
        if entries != self._entries:
            self._entries, self.calibrations = entries, Calibrations(entries)
        self.clocks = {
            (one.tank, one.quantity, one.sensor): one.fast_s * 1_000_000
            for of_tank in clocks.values()
            for one in of_tank
        }
        self.routes = routes
        self._choices, self._first = choices, first
        self._missed = set()
        self._refreshed_s = now_s
        return True

    def thermometers(self, tank: str) -> Sequence[str]:
        """The thermometers of a tank to believe, in their order."""
        return order_of_belief(self._choices.get(tank, {}), self._first.get(tank, {}))

    def __contains__(self, tank: object) -> bool:
        """Whether a tank is registered; refreshes, at most ten times a second, if it seems not."""
        if tank in self._tanks:
            return True
        self.refresh(at_least_s=RECHECK_S if tank in self._missed else RECHECK_NEW_S)
        if tank in self._tanks:
            return True
        self._missed.add(tank)
        return False
