"""Import of a text, as the command does it."""

from __future__ import annotations

import math
from datetime import UTC, datetime

from ingest.process import Calibrations, ClockLimits, Processor
from service.store import SeriesKey
from service.store.transfer.csv_mapping import CsvMapping
from service.store.transfer.importer import import_csv
from service.store.transfer.times import TimeReader
from service.times import to_us

SECOND = 1_000_000
DAY = 86_400 * SECOND
T0 = to_us(datetime(2026, 3, 1, 22, 41, 17, tzinfo=UTC))
TANK = "quarry-pool"


def judge_for(store):
    """The processor of ``littoral import``."""
    processor = Processor(Calibrations, ClockLimits(0, 0), store, warm_up_s=math.inf)
    return lambda readings: processor.process_archived(readings, T0 + 400 * DAY)[:2]


def imported(tmp_path, store, text, mapping=None, times=None, **options):
    path = tmp_path / "log.csv"
    path.write_text(text, encoding=options.pop("encoding", "utf-8"))
    rejected = []
    report = import_csv(
        path,
        mapping or CsvMapping(TANK),
        times or TimeReader(),
        judge_for(store),
        store.write,
        on_rejected=rejected.append,
        **options,
    )
    assert report.rejected == len(rejected)
    return report, rejected


def values(store, quantity, sensor="import", flagged=True):
    samples = store.read(SeriesKey(TANK, quantity, sensor), 0, 2**62, flagged=flagged)
    return list(zip(samples.time_us.tolist(), samples.value.tolist(), strict=True))


def us(text):
    return to_us(datetime.fromisoformat(text))
