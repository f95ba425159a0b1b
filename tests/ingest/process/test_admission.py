"""Limits of the sensors of a tank: the same by every way in, and for what is stored already."""

from __future__ import annotations

import math

import pytest

from ingest.decode.message import Message
from ingest.process import ClockLimits, Processor, SensorLimits
from ingest.process.admission import Admission
from ingest.process.calibration import Calibrations
from service.errors import StoreUnavailableError
from service.registry.models.ingest import Rejection
from service.store import Reading, SeriesKey
from service.store.transfer.csv_mapping import CsvMapping
from service.store.transfer.importer import import_csv
from service.store.transfer.times import TimeReader
from tests.ingest.process.test_processor import NOW, Road, S, store

__all__ = ["store"]

FEW = SensorLimits(per_tank=5, per_hour=3)
MANY = SensorLimits(per_tank=5, per_hour=100)


class Clock:
    """Seconds that the test moves."""

    def __init__(self):
        self.s = 1000.0

    def __call__(self):
        return self.s


class Stored:
    """What a store answers; counts how often it is asked."""

    def __init__(self, *sensors):
        self.sensors = list(sensors)
        self.asked = 0
        self.away = False

    def __call__(self, tank):
        self.asked += 1
        if self.away:
            raise StoreUnavailableError("away (by this test)")
        return [SeriesKey(tank, "ph", sensor) for sensor in self.sensors]


def refusals(admission, sensors, tank="reed"):
    """Which of the sensors are refused."""
    return [one for one in sensors if admission.refusal((tank, "ph", one))]


def names(count, prefix="s"):
    return [f"{prefix}{n}" for n in range(count)]


def test_a_tank_has_no_more_sensors_than_its_limit():
    admission = Admission(MANY, Stored("old", "older"))
    assert refusals(admission, names(10)) == names(10)[3:]
    assert refusals(admission, ["old", "older", *names(3)]) == []
    assert refusals(admission, names(5), tank="sedge") == names(5)[3:]
    reason = admission.refusal(("reed", "ph", "one-more"))
    assert reason == (
        "sensor is ph one-more, a new one of tank reed, which has 5; allowed: 5 sensors in a tank "
        "(ingest.sensors_per_tank)"
    )


def test_a_tank_gets_no_more_new_sensors_in_an_hour_than_its_limit():
    clock = Clock()
    stored = Stored("old")
    admission = Admission(FEW, stored, clock_s=clock)
    assert refusals(admission, ["old", *names(5)]) == ["s3", "s4"]
    assert "allowed: 3 new sensors of a tank in an hour (ingest.new_sensors_per_hour)" in (
        admission.refusal(("reed", "ph", "s3"))
    )
    stored.sensors += names(3)
    clock.s += 3599
    assert refusals(admission, ["s3"]) == ["s3"]
    clock.s += 2
    assert refusals(admission, ["s3", "s4"]) == ["s4"]  # five with the old one


def test_what_is_stored_beyond_the_limit_is_stored_on():
    admission = Admission(FEW, Stored(*names(50)))
    assert refusals(admission, names(50)) == []
    assert refusals(admission, ["new"]) == ["new"]


def test_ever_new_names_do_not_ask_the_store_each_time():
    clock, stored = Clock(), Stored(*names(5))
    admission = Admission(MANY, stored, clock_s=clock)
    assert len(refusals(admission, names(10_000, "x"))) == 10_000
    assert stored.asked == 1
    clock.s += 10
    assert len(refusals(admission, names(10_000, "y"))) == 10_000
    assert stored.asked == 2


def test_a_sensor_that_another_process_has_stored_is_known_soon():
    clock, stored = Clock(), Stored(*names(5))
    admission = Admission(MANY, stored, clock_s=clock)
    assert refusals(admission, ["theirs"]) == ["theirs"]
    stored.sensors.append("theirs")
    clock.s += 10
    assert refusals(admission, ["theirs"]) == []


def test_deleted_sensors_make_room():
    clock, stored = Clock(), Stored(*names(5))
    admission = Admission(MANY, stored, clock_s=clock)
    assert refusals(admission, ["new"]) == ["new"]
    stored.sensors = names(2)
    clock.s += 10
    assert refusals(admission, ["new"]) == []


def test_while_the_store_is_away_known_sensors_are_not_taken_for_new_ones():
    clock, stored = Clock(), Stored(*names(5))
    stored.away = True
    admission = Admission(FEW, stored, clock_s=clock)
    assert refusals(admission, names(5)) == []  # more than may be new in an hour
    assert refusals(admission, ["x"]) == ["x"]
    assert stored.asked == 1
    stored.away = False
    clock.s += 10
    assert refusals(admission, [*names(5), "x"]) == ["x"]


def test_sensors_on_their_way_to_the_store_count():
    clock, stored = Clock(), Stored()
    admission = Admission(MANY, stored, clock_s=clock)
    assert refusals(admission, names(5)) == []
    clock.s += 10
    assert refusals(admission, ["x"]) == ["x"]
    admission.forget(SeriesKey("reed", "ph", "s0"))  # it could not be stored
    assert refusals(admission, ["x"]) == []


def test_without_limits_every_series_is_admitted_and_none_is_remembered():
    admission = Admission(None, Stored())
    assert refusals(admission, names(10_000)) == []
    assert not admission._tanks


# -- the ways in


def test_over_mqtt_each_further_one_is_rejected_and_no_state_is_kept_of_it(store):
    road = Road(store, sensors=MANY)
    messages = [
        Message(f"littoral/reed/ph/{sensor}", b"6.5", NOW + n)
        for n, sensor in enumerate(names(1000))
    ]
    processed = road.take(*messages)
    assert [type(one) for one in processed.outcomes[:6]] == [*[Reading] * 5, Rejection]
    assert {one.reason_code for one in processed.rejections} == {"too-many-sensors"}
    assert len(processed.rejections) == 995
    assert processed.rejections[0].tank == "reed"
    assert len(road.processor._memory) == 5
    assert len(store.series("reed")) == 5


def test_a_pack_with_one_sensor_too_many_is_stored_but_for_that(store):
    road = Road(store, sensors=MANY)
    pack = ",".join(f'{{"n":"s{n}:ph","v":6.5,"t":{-60 * n}}}' for n in range(6))
    processed = road.take(Message("littoral/reed", f"[{pack}]".encode(), NOW))
    assert [type(one) for one in processed.outcomes] == [*[Reading] * 5, Rejection]


def test_a_restart_forgets_no_sensor(store):
    Road(store, sensors=MANY).take(
        *(Message(f"littoral/reed/ph/{one}", b"6.5", NOW) for one in names(5))
    )
    again = Road(store, sensors=MANY).take(
        *(Message(f"littoral/reed/ph/{one}", b"6.6", NOW + S) for one in [*names(5), "new"])
    )
    assert (len(again.readings), len(again.rejections)) == (5, 1)


@pytest.mark.parametrize("flags", ["", ",flags"], ids=["judged", "with flags of its own"])
def test_from_a_file(store, tmp_path, flags):
    """A file with flags of its own is not judged, but limited all the same."""
    processor = Processor(
        Calibrations, ClockLimits(0, 0), store, sensors=MANY, warm_up_s=math.inf
    )  # fmt: skip
    rows = [f"2026-01-01T00:00:{n:02}Z,reed,ph,s{n},6.5,[pH]" + ("," if flags else "")
            for n in range(8)]  # fmt: skip
    path = tmp_path / "log.csv"
    path.write_text("\n".join([f"time,tank,quantity,sensor,value,unit{flags}", *rows]))
    rejected = []
    report = import_csv(
        path,
        CsvMapping(),
        TimeReader(),
        lambda readings: processor.process_archived(readings, NOW * 2)[:2],
        store.write,
        refusal=processor.refusal,
        on_rejected=rejected.append,
    )
    assert (report.readings, report.rejected) == (5, 3)
    assert [one.line for one in rejected] == [7, 8, 9]
    assert "allowed: 5 sensors in a tank" in rejected[0].reason
    assert list(report.reasons) == [
        "sensor; allowed: 5 sensors in a tank (ingest.sensors_per_tank)"
    ]
    assert len(store.series("reed")) == 5
