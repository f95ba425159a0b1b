"""What is set of a device's clock, by its route or its sensor."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from ingest.decode.payloads.times import time_us_of
from service.config import RouteConfig, SensorConfig


@dataclass(frozen=True, slots=True)
class ClockSetting:
    """How a device's times are read.

    Attributes:
        fast_us: its clock is so much fast.
        zone: it sends the time of this zone in place of UTC; None: UTC.
    """

    fast_us: int = 0
    zone: ZoneInfo | None = None

    def time_us(self, time: object, arrival_us: int) -> int:
        """Microseconds since 1970-01-01 UTC of a device's time.

        Raises:
            ValueError: it is no time.
        """
        return time_us_of(time, self.zone, arrival_us) - self.fast_us


RIGHT: Final = ClockSetting()


def clock_setting(config: RouteConfig | SensorConfig) -> ClockSetting:
    """The setting of a route or a sensor."""
    zone = None if config.time_zone is None else ZoneInfo(config.time_zone)
    return ClockSetting(round(config.clock_offset_s * 1e6), zone)


class SensorClocks:
    """The settings of single sensors, which count before those of their routes."""

    def __init__(self, sensors: Iterable[SensorConfig] = ()) -> None:
        """Index the settings; of two for the same sensor the one that names a quantity counts."""
        self._settings: Mapping[tuple[str, str | None, str], ClockSetting] = {
            (one.tank, one.quantity, one.sensor): clock_setting(one) for one in sensors
        }

    def of(self, tank: str, quantity: str, sensor: str) -> ClockSetting | None:
        """The setting of a sensor; None: that of its route counts."""
        if not self._settings:
            return None
        exact = self._settings.get((tank, quantity, sensor))
        return exact or self._settings.get((tank, None, sensor))
