"""Days that have passed when the demo starts: tanks, log and readings, laid in at once.

History goes straight into the store, for speed; everything after the demo's start goes over MQTT
through the ingester.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, time, timedelta

from demo.measuring import LiveTank
from demo.scenario import DemoTank, Scenario
from service.quantities import QUANTITIES
from service.registry.registry import Registry
from service.store.interface import Store
from service.store.model import Flag, Reading

SETTLING = timedelta(days=2)
"""So long the water runs before its first reading, to forget how it began."""

BATCH = 5_000

Progress = Callable[[int], None]


def register(scenario: Scenario, registry: Registry) -> None:
    """Register the tanks and write their logs, in the order in which things happened."""
    for one in scenario.tanks:
        registry.put_tank(one.tank)
        for noted in sorted(one.log, key=lambda noted: noted.time):
            registry.add_log(
                one.tank.id,
                noted.kind,
                noted.time,
                noted.data,
                noted.note,
                noted.by,
                recorded=noted.time + timedelta(minutes=5),
            )


class Past:
    """The days before the demo's start, and the simulations as they stand at its end."""

    def __init__(self, scenario: Scenario, days: int, seed: int) -> None:
        """
        Args:
            scenario: ends the past at its origin.
            days: whole days before the day of the origin, whose beginning belongs to it too.
            seed: fixes noise and weather.
        """
        first = scenario.origin.date() - timedelta(days=days)
        self.start = datetime.combine(first, time(), UTC)
        self._scenario = scenario
        origin_s = scenario.origin.timestamp()
        begin_s = (self.start - SETTLING).timestamp()
        self.tanks = {
            one.tank.id: LiveTank(one.model, begin_s, seed=seed, origin_s=origin_s)
            for one in scenario.tanks
        }

    @property
    def days(self) -> int:
        """Tank days to simulate: what ``lay_in`` reports as it goes."""
        return len(self._days()) * len(self.tanks)

    def lay_in(self, store: Store, progress: Progress) -> int:
        """Simulate, measure and store the past; returns the number of readings.

        Args:
            progress: told after each tank's day: 1.
        """
        count = 0
        for one in self._scenario.tanks:
            live = self.tanks[one.tank.id]
            live.until(self.start.timestamp())
            for end in self._days():
                _, measured = live.until(end.timestamp())
                for batch in _batches([as_stored(one, reading) for reading in measured]):
                    store.write(batch)
                count += len(measured)
                progress(1)
        return count

    def _days(self) -> list[datetime]:
        """The ends of the days, the last of them the origin."""
        ends = []
        end = self.start + timedelta(days=1)
        while end < self._scenario.origin:
            ends.append(end)
            end += timedelta(days=1)
        return [*ends, self._scenario.origin]


def as_stored(one: DemoTank, reading: Reading) -> Reading:
    """A reading as the ingester would store it: as sent, flagged where it cannot be."""
    arrived = one.wires[reading.key].arrived(reading)
    known = QUANTITIES[arrived.quantity]
    if known.plausible_low <= arrived.value <= known.plausible_high:
        return arrived
    return Reading(
        arrived.tank,
        arrived.quantity,
        arrived.sensor,
        arrived.time_us,
        arrived.value,
        Flag.IMPLAUSIBLE,
    )


def _batches(readings: Sequence[Reading]) -> Iterator[Sequence[Reading]]:
    for start in range(0, len(readings), BATCH):
        yield readings[start : start + BATCH]
