"""Recalculation of stored readings after a calibration was corrected or written down late."""

from __future__ import annotations

import pytest

from ingest.process.calibration import Calibrations
from ingest.tools.recalculation import recalculate
from service.store import Flag, Reading, SeriesKey, open_store
from tests.ingest.process.test_calibration import BUFFERS, DAY_US, NOW_US, apply, entry


def test_stored_readings_are_recalculated_when_a_calibration_is_corrected(tmp_path):
    store = open_store(f"sqlite:///{tmp_path}/readings.db")
    key = SeriesKey("reed", "ph", "main")
    wrong = {"points": [dict(p, millivolts=p["millivolts"] + 59.16) for p in BUFFERS["points"]]}
    times = [NOW_US + n * DAY_US // 4 for n in range(12)]
    first = Calibrations([entry(wrong)])
    for time_us in times:
        value, raw, flags = apply(first, 2.0 + 0.4 * 59.16, time_us=time_us)
        store.write([Reading("reed", "ph", "main", time_us, value, flags | Flag.LATE, raw)])
    assert store.read(key, 0, 1 << 62).value[0] == pytest.approx(7.6, abs=0.001)
    done = recalculate(store, [entry(BUFFERS)], key, NOW_US, NOW_US + 30 * DAY_US)
    assert (done.readings, done.changed) == (12, 12)
    samples = store.read(key, 0, 1 << 62, raw=True)
    assert samples.time_us.tolist() == times
    assert samples.value == pytest.approx(6.6, abs=0.001)
    assert samples.raw == pytest.approx(2.0 + 0.4 * 59.16)
    assert set(samples.flags.tolist()) == {int(Flag.LATE)}
    again = recalculate(store, [entry(BUFFERS)], key, NOW_US, NOW_US + 30 * DAY_US)
    assert again.changed == 0
    store.close()


def test_offset_added_later_applies_to_readings_without_raw(tmp_path):
    store = open_store(f"sqlite:///{tmp_path}/readings.db")
    key = SeriesKey("reed", "temperature", "main")
    store.write([Reading("reed", "temperature", "main", NOW_US + n, 24.3) for n in range(3)])
    offset = entry({"quantity": "temperature", "offset": -0.3})
    assert recalculate(store, [offset], key, NOW_US, NOW_US + 10).changed == 3
    assert store.read(key, 0, 1 << 62).value == pytest.approx(24.0)
    assert recalculate(store, [], key, NOW_US, NOW_US + 10).changed == 3
    assert store.read(key, 0, 1 << 62).value == pytest.approx(24.3)
    store.close()
