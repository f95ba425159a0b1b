"""The processor: repeated readings, redeliveries, compensation, and readings of a file."""

from __future__ import annotations

import json
import math

import pytest

from ingest.decode.decoder import Decoder
from ingest.decode.message import ClockState, FirstDelivery, Message
from ingest.decode.routes import Router
from ingest.process import Calibrations, ClockLimits, Processor, Reason, Unchanged
from ingest.process import processor as processor_module
from service.errors import StoreUnavailableError
from service.store import Flag, Reading, SeriesKey, open_store
from service.store.columns import ReadingColumns

S = 1_000_000
NOW = 1_700_000_000 * S
LIMITS = ClockLimits.of_seconds(3600, 300)
KEY = SeriesKey("reed", "temperature", "main")


@pytest.fixture
def store(tmp_path):
    store = open_store(f"sqlite:///{tmp_path}/readings.db")
    yield store
    store.close()


class Road:
    """Decoder, processor and store, as the ingester has them."""

    def __init__(self, store, **options):
        self.journal = {}
        self.decoder = Decoder(Router("littoral"), {"reed"}, lambda m: self.journal.get(m.mid))
        self.processor = Processor(Calibrations, LIMITS, store, **options)
        self.store = store

    def take(self, *messages):
        processed = self.processor.process(self.decoder.decode(messages))
        self.journal |= {message.mid: first for message, first in processed.first_deliveries}
        self.store.write(processed.readings)
        return processed

    def stored(self, key=KEY):
        samples = self.store.read(key, 0, 1 << 62, flagged=True)
        return list(zip(samples.value.tolist(), samples.flags.tolist(), strict=True))


def stamped(value, time_us, arrival_us=NOW):
    payload = json.dumps({"value": value, "time": time_us}).encode()
    return Message("littoral/reed/temperature", payload, arrival_us)


def quiet(count=10):
    """Readings of an unchanged temperature, one each half minute until now."""
    return [stamped(24.0, NOW + (n - count) * 30 * S) for n in range(count)]


@pytest.mark.parametrize("together", [False, True])
def test_a_spike_that_is_sent_twice_stays_flagged(store, together):
    road = Road(store)
    road.take(*quiet())
    spike = stamped(31.0, NOW)
    if together:
        processed = road.take(spike, spike)
    else:
        road.take(spike)
        processed = road.take(spike)
    assert isinstance(processed.outcomes[-1], Unchanged)
    assert processed.outcomes[-1].reading.flags == Flag.SPIKE
    assert road.stored()[-1] == (31.0, Flag.SPIKE)


def test_another_value_for_the_same_time_replaces_the_first(store):
    road = Road(store)
    road.take(*quiet())
    road.take(stamped(24.1, NOW))
    assert len(road.take(stamped(24.2, NOW)).readings) == 1
    assert road.stored()[-1][0] == 24.2


def test_a_new_time_does_not_ask_the_store(store, monkeypatch):
    road = Road(store)
    road.take(*quiet())

    def away(*_, **__):
        raise StoreUnavailableError("by this test")

    monkeypatch.setattr(store, "read", away)
    assert len(road.take(stamped(24.0, NOW)).readings) == 1


def test_redelivery_of_a_message_in_the_same_batch_is_left_out(store):
    first = Message("littoral/reed/temperature", b"24.5", NOW, 7, 1)
    again = first._replace(dup=True, arrival_us=NOW + 5 * S, connection=1)
    processed = Road(store).take(first, again)
    assert [reading.time_us for reading in processed.readings] == [NOW]
    assert processed.first_deliveries == [(first, FirstDelivery(NOW, ClockState.RIGHT))]


def test_redelivery_in_a_later_batch_gets_its_first_arrival(store):
    road = Road(store)
    first = Message("littoral/reed/temperature", b"24.5", NOW, 7, 1)
    road.take(first)
    processed = road.take(first._replace(dup=True, arrival_us=NOW + 5 * S))
    assert [(type(one), one.reading.time_us) for one in processed.outcomes] == [(Unchanged, NOW)]
    assert processed.first_deliveries == []
    assert len(road.stored()) == 1


def test_a_redelivered_spike_without_a_time_stays_flagged(store):
    road = Road(store)
    road.take(*quiet())
    spike = Message("littoral/reed/temperature", b"31.0", NOW, 7, 1)
    road.take(spike)
    road.take(stamped(24.0, NOW + 30 * S, NOW + 30 * S))
    road.take(spike._replace(dup=True, arrival_us=NOW + 60 * S))
    assert (31.0, Flag.SPIKE) in road.stored()
    assert len(road.stored()) == 12


def test_a_fault_of_ours_rejects_its_message_alone(store, monkeypatch):
    real = processor_module.judge

    def broken(series, reading, late):
        if reading.value == 24.5:
            raise KeyError("by this test")
        return real(series, reading, late)

    monkeypatch.setattr(processor_module, "judge", broken)
    processed = Road(store).take(
        *(Message("littoral/reed/temperature", b"%.1f" % v, NOW + n)
          for n, v in enumerate((24.4, 24.5, 24.6)))
    )  # fmt: skip
    assert [reading.value for reading in processed.readings] == [24.4, 24.6]
    assert [one.reason_code for one in processed.rejections] == [Reason.INTERNAL]


def test_electrode_is_compensated_after_a_restart_from_the_store(store):
    store.write([Reading("reed", "temperature", "main", NOW - 600 * S, 20.0)])
    processed = Road(store).take(Message("littoral/reed/ph", b"58.17 mV", NOW))
    # Nernst slope at 20 °C: 58.17 mV per pH (any handbook)
    assert processed.readings[0].value == pytest.approx(6.0, abs=0.001)


def test_electrode_is_not_compensated_by_what_is_not_believed(store):
    store.write([Reading("reed", "temperature", "main", NOW, 85.0, Flag.IMPLAUSIBLE)])
    store.write([Reading("reed", "temperature", "main", NOW - 7200 * S, 20.0)])
    processed = Road(store).take(Message("littoral/reed/ph", b"59.16 mV", NOW))
    # Nernst slope at 25 °C: 59.16 mV per pH (any handbook)
    assert processed.readings[0].value == pytest.approx(6.0, abs=0.001)


# -- readings of a file


def archived(store, *values, every_s=30, start_us=NOW - 86_400 * S, calibrations=Calibrations):
    """Import values of one thermometer; returns their flags."""
    processor = Processor(calibrations, LIMITS, store, warm_up_s=math.inf)
    readings = [
        Reading("reed", "temperature", "main", start_us + n * every_s * S, value)
        for n, value in enumerate(values)
    ]
    store.write(processor.process_archived(ReadingColumns.of(readings), NOW).stored())
    samples = store.read(KEY, 0, 1 << 62, flagged=True)
    assert samples.value.tolist() == list(values)
    assert samples.time_us.tolist() == [reading.time_us for reading in readings]
    return samples.flags.tolist()


def test_file_is_flagged_as_a_sensor_is(store):
    assert archived(store, *[24.0] * 10, 31.0, 24.1, 4711.0, 24.0) == [
        *[0] * 10, Flag.SPIKE, 0, Flag.IMPLAUSIBLE, 0,
    ]  # fmt: skip


def test_file_again_gets_the_same_flags(store):
    values = [*[24.0] * 10, 31.0, *[24.0] * 5]
    assert archived(store, *values) == archived(store, *values)


def test_file_is_neither_late_nor_by_a_wrong_clock_however_old(store):
    year_us = 365 * 86_400 * S
    assert archived(store, 24.0, 24.1, start_us=NOW - 10 * year_us) == [0, 0]


def test_file_with_a_time_ahead_of_now_is_flagged(store):
    assert archived(store, 24.0, start_us=NOW + 301 * S) == [Flag.CLOCK]


def test_file_with_a_step_of_the_water_takes_the_flags_back(store):
    assert set(archived(store, *[24.0] * 10, *[21.0] * 4)) == {0}


def test_file_that_runs_backwards_is_judged_in_the_order_of_time(store):
    processor = Processor(Calibrations, LIMITS, store, warm_up_s=math.inf)
    values = [*[24.0] * 10, 31.0, *[24.0] * 5]
    readings = [
        Reading("reed", "temperature", "main", NOW - 86_400 * S + n * S, value)
        for n, value in enumerate(values)
    ]
    judged = processor.process_archived(ReadingColumns.of(readings[::-1]), NOW)
    assert [reading.value for reading in judged.readings if reading.flags] == [31.0]


@pytest.fixture
def taken(store):
    """``taken(arrival_s, time_s, value)``: time and flags of the reading that a message becomes."""
    road = Road(store)

    def take(arrival_s, time_s, value):
        document = {"value": value} | ({} if time_s is None else {"time": NOW / S + time_s})
        message = Message("littoral/reed/ph", json.dumps(document).encode(), NOW + arrival_s * S)
        (reading,) = road.take(message).readings
        return (reading.time_us - NOW) // S, reading.flags

    return take


def test_an_arrival_is_no_time_of_the_device(taken):
    """A device that finds its clock and then sends what it buffered has no clock that jumped."""
    assert taken(1000, None, 6.6) == (1000, Flag.NONE)
    assert taken(1010, 500, 6.6) == (500, Flag.NONE)
    assert taken(1020, 560, 6.6) == (560, Flag.NONE)
    assert taken(1030, 100, 6.6) == (1030, Flag.CLOCK)  # back by more than two minutes


def test_a_wrong_time_is_not_remembered(taken):
    assert taken(1000, 9000, 6.6) == (1000, Flag.CLOCK)
    assert taken(1010, 500, 6.6) == (500, Flag.NONE)
