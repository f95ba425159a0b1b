"""What the ingester has to know of the registry, remembered for a while."""

from __future__ import annotations

import logging
import time
from collections.abc import Collection
from typing import Final, Protocol

from ingest.process.calibration import Calibrations
from service.errors import LittoralError
from service.registry.models import LogEntry, LogKind

_log = logging.getLogger(__name__)
#: How old the memory may grow, s.
REFRESH_S: Final = 5.0
#: Least time between two looks because of a tank that is not known, s.
RECHECK_S: Final = 1.0


class TankSource(Protocol):
    """The part of the registry that is asked."""

    def tank_ids(self) -> frozenset[str]:
        """Ids of all registered tanks."""
        ...

    def logs(self, *, kinds: Collection[LogKind]) -> dict[str, list[LogEntry]]:
        """Log entries of some kinds, by tank."""
        ...


class Catalogue:
    """The registered tanks and calibrations; when the registry is away, those last known.

    Used by one thread.
    """

    def __init__(self, source: TankSource) -> None:
        self._source = source
        self.calibrations = Calibrations()
        self._tanks: frozenset[str] = frozenset()
        self._looked_s: float | None = None

    @property
    def loaded(self) -> bool:
        """Whether the registry was ever read."""
        return self._looked_s is not None

    def refresh(self, *, at_least_s: float = REFRESH_S) -> bool:
        """Read the registry again if the memory is older; False if it cannot be read."""
        now_s = time.monotonic()
        if self._looked_s is not None and now_s - self._looked_s < at_least_s:
            return True
        try:
            self._tanks = self._source.tank_ids()
            logs = self._source.logs(kinds=[LogKind.CALIBRATION])
            self.calibrations.replace(entry for log in logs.values() for entry in log)
        except LittoralError as error:
            _log.warning("the registry cannot be read: %s", error.detail)
            if self._looked_s is not None:
                self._looked_s = now_s
            return False
        self._looked_s = now_s
        return True

    def __contains__(self, tank: object) -> bool:
        """Whether a tank is registered; looks again, at most once a second, if it seems not."""
        if tank in self._tanks:
            return True
        self.refresh(at_least_s=RECHECK_S)
        return tank in self._tanks
