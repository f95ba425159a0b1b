"""Moments in the zones of a service's tanks, as a person reads them."""

from __future__ import annotations

from datetime import UTC, datetime

from service.client import Client
from service.local_words import clock_words


def words_now(moment: datetime, zone: str) -> str:
    """A moment in a zone, as seen from now."""
    return clock_words(moment, zone, datetime.now(UTC))


class TankTimes:
    """Writes moments in the tanks' own time; asks for their zones once."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self._zones: dict[str, str] | None = None

    def zone(self, tank: str | None) -> str:
        """The zone of a tank; without one, or of one that is no more, that of the first tank."""
        if self._zones is None:
            self._zones = {one.id: one.time_zone for one in self._client.tanks()}
        first = next(iter(self._zones.values()), "UTC")
        return first if tank is None else self._zones.get(tank, first)

    def words(self, tank: str | None, moment: datetime) -> str:
        """``18:00``, with the day where it is not today, and the year where it is not this one."""
        return words_now(moment, self.zone(tank))
