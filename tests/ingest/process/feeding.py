"""One series fed to the judge, and what a store would then have."""

from __future__ import annotations

from ingest.process.device_clock import ClockLimits, has_jumped_back, is_absurd
from ingest.process.quality.judge import judge
from service.store import Flag, Reading

S = 1_000_000
START = 1_700_000_000 * S
CLOCK = ClockLimits(3600 * S, 300 * S)


class Series:
    """Feeds one series to a judge and stores what a store would."""

    def __init__(self, memory, quantity="temperature", sensor="main", every_s=30):
        self.memory, self.quantity, self.sensor = memory, quantity, sensor
        self.every_us = every_s * S
        self.time_us = START
        self.flags: dict[int, Flag] = {}

    def feed(self, *values):
        for value in values:
            self.time_us += self.every_us
            reading = Reading("reed", self.quantity, self.sensor, self.time_us, value)
            series = self.memory.series(("reed", self.quantity, self.sensor), self.time_us)
            judged = judge(series, reading, late=False)
            for stored in (judged.reading, *judged.corrected):
                self.flags[stored.time_us] = stored.flags
        return list(self.flags.values())


def wrong(memory, time_us, arrival_us=START):
    if is_absurd(time_us, arrival_us, CLOCK):
        return True
    series = memory.series(("reed", "temperature", "main"), arrival_us + CLOCK.future_us)
    return has_jumped_back(series, time_us, arrival_us, memory)
