"""What is decided of invented streams stays as recorded, bit for bit, whatever remembers it.

The records were made with a small object for each check of each series. Where a check is to decide
otherwise, print them anew: ``python -m tests.ingest.process.test_recorded_decisions``.
"""

from __future__ import annotations

import hashlib
import math
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import pytest

from ingest.decode.message import FirstDelivery, Message
from ingest.decode.sample import Arrival, Sample
from ingest.process import Calibrations, ClockLimits, Outcome, Processor, SensorLimits, Unchanged
from ingest.process.quality.judge import judge
from ingest.process.series import SeriesMemory
from service.store import Reading, open_store
from service.store.columns import ReadingColumns
from tests.ingest.process.streams import SENSORS, START, S, readings_of

LIMITS = ClockLimits.of_seconds(3600, 300)


def record(outcomes: Iterable[Outcome]) -> tuple[str, dict[str, int]]:
    """A digest of what was decided, and how often which flag was given, to see what changed."""
    counts: Counter[str] = Counter()
    digest = hashlib.sha256()
    for one in outcomes:
        if isinstance(one, Unchanged):
            counts["unchanged"] += 1
            one = one.reading
        elif not isinstance(one, Reading):
            counts[one.reason_code] += 1
            digest.update(one.detail.encode())
            continue
        names = f"{one.tank}/{one.quantity}/{one.sensor}"
        digest.update(f"{names} {one.time_us} {one.value.hex()} {int(one.flags)}\n".encode())
        counts.update(str(flag.name) for flag in one.flags)
        counts["readings"] += 1
    return digest.hexdigest()[:16], dict(sorted(counts.items()))


def judged_one_by_one() -> list[Reading]:
    """Three tanks by the judge alone; so few series are remembered that some are forgotten."""
    memory, found = SeriesMemory(most_series=20), []
    for seed in range(3):
        readings = readings_of(f"tank-{seed}", SENSORS, seed, 500)
        for one in sorted(readings, key=lambda one: one.time_us):
            series = memory.series((one.tank, one.quantity, one.sensor), one.time_us)
            found += (parts := judge(series, one, False)).corrected
            found.append(parts.reading)
    return found


def of_a_file(folder: Path) -> list[Reading]:
    """What is stored of batches as a file brings them, each judged beside what is stored."""
    store = open_store(f"sqlite:///{folder}/file.db")
    processor = Processor(Calibrations, LIMITS, store, warm_up_s=math.inf)
    readings = [one for seed in (6, 7) for one in readings_of(f"tank-{seed}", SENSORS, seed, 400)]
    readings.sort(key=lambda one: one.time_us // (6 * 3600 * S))
    found = {}
    for at in range(0, len(readings), 700):
        batch = ReadingColumns.of(readings[at : at + 700])
        stored = processor.process_archived(batch, START + 5 * 86_400 * S).stored()
        store.write(stored)
        found |= {(one.key, one.time_us): one for one in stored}
        if at == 2800:  # as after a restart
            processor = Processor(Calibrations, LIMITS, store, warm_up_s=math.inf)
    store.close()
    return [one for _, one in sorted(found.items())]


def of_messages(folder: Path) -> list[Outcome]:
    """Messages of devices whose clocks are right, off, set back or missing; some come again."""
    chance = random.Random(11)
    store = open_store(f"sqlite:///{folder}/messages.db")
    processor = Processor(
        Calibrations, LIMITS, store, sensors=SensorLimits(7, 1000), warm_up_s=math.inf
    )
    found: list[Outcome] = []
    tanks = [f"tank-{n}" for n in range(5)]
    fast_s = {tank: chance.choice((0, 0, 4000, -20_000)) for tank in tanks}
    readings = sorted(
        (one for n, tank in enumerate(tanks) for one in readings_of(tank, SENSORS, 20 + n, 160)),
        key=lambda one: one.time_us,
    )
    arrivals: list[Arrival] = []
    for one in readings:
        if chance.random() < 0.003:
            fast_s[one.tank] = chance.choice((0, 0, 4000, -20_000, -100_000))
        message = Message(
            f"{one.tank}/{one.quantity}/{one.sensor}",
            b"",
            one.time_us + chance.choice((3, 400, 2_000_000)),
            mid=1,
            qos=1,
            retain=chance.random() < 0.03,
        )
        time_us = None if chance.random() < 0.2 else one.time_us + fast_s[one.tank] * S
        sample = Sample(one.tank, one.quantity, one.sensor, one.value, None, time_us)
        arrivals.append(Arrival(message, [sample]))
        if chance.random() < 0.02 and len(arrivals) > 50:
            arrivals.append(chance.choice(arrivals[-50:]))
    journal: dict[Message, FirstDelivery] = {}
    while arrivals:
        count = chance.choice((1, 30, 200))
        batch, arrivals = arrivals[:count], arrivals[count:]
        batch = [one._replace(first_delivery=journal.get(one.message)) for one in batch]
        processed = processor.process(batch)
        found += processed.outcomes
        if chance.random() < 0.1:
            processor.forget(batch)
            continue
        store.write(processed.readings)
        journal |= dict(processed.first_deliveries)
    store.close()
    for change in processor.clocks.take_changes():
        found.append(Reading(*change.name, change.since_us, float(change.offset_us or 0)))
    return found


RECORDED = {
    "judged one by one": (
        "fe25d768673f52b6",
        {"DISAGREES": 2310, "IMPLAUSIBLE": 404, "SPIKE": 782, "STUCK": 251, "readings": 14132},
    ),
    "of a file": (
        "1ff02a4c261de033",
        {
            "CLOCK": 250,
            "DISAGREES": 1016,
            "IMPLAUSIBLE": 168,
            "SPIKE": 244,
            "STUCK": 159,
            "readings": 7200,
        },
    ),
    "of messages": (
        "62cbbc2aee7855bf",
        {
            "CLOCK": 175,
            "DISAGREES": 282,
            "IMPLAUSIBLE": 238,
            "LATE": 208,
            "RETAINED": 60,
            "SPIKE": 165,
            "STUCK": 87,
            "TIME_CORRECTED": 2670,
            "readings": 6032,
            "too-many-sensors": 1332,
            "unchanged": 43,
        },
    ),
}


def test_judged_one_by_one():
    assert record(judged_one_by_one()) == RECORDED["judged one by one"]


def test_of_a_file(tmp_path):
    assert record(of_a_file(tmp_path)) == RECORDED["of a file"]


def test_of_messages(tmp_path):
    assert record(of_messages(tmp_path)) == RECORDED["of messages"]


@pytest.mark.parametrize("flag", ["IMPLAUSIBLE", "SPIKE", "STUCK", "DISAGREES"])
@pytest.mark.parametrize("way", ["judged one by one", "of a file", "of messages"])
def test_the_streams_have_something_for_every_check(way, flag):
    _, counts = RECORDED[way]
    assert counts[flag] > 20


def test_the_messages_have_something_for_every_clock():
    _, counts = RECORDED["of messages"]
    for what in ("CLOCK", "TIME_CORRECTED", "LATE", "RETAINED", "unchanged", "too-many-sensors"):
        assert counts[what] > 20, what


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        ways = (judged_one_by_one(), of_a_file(Path(name)), of_messages(Path(name)))
        sys.stdout.write("\n".join(str(record(found)) for found in ways) + "\n")
