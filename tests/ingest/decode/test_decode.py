"""One message -> samples and rejections: formats, units, everything that can be wrong."""

from __future__ import annotations

import json

import pytest

from ingest.decode.decoder import decode
from ingest.decode.message import Message, Reason
from ingest.decode.routes import Router
from ingest.decode.sample import Sample
from service.config import RouteConfig
from service.store import Flag

TANKS = frozenset({"reed", "sedge"})
ARRIVAL_US = 1_700_000_000_000_000


def decoded(topic: str, payload: str | bytes, *routes: RouteConfig) -> tuple[list, list]:
    data = payload if isinstance(payload, bytes) else payload.encode()
    message = Message(topic, data, ARRIVAL_US)
    samples, rejections, _ = decode(message, Router("littoral", routes).targets(topic), TANKS)
    return list(samples), list(rejections)


def one(topic: str, payload: str | bytes, *routes: RouteConfig) -> Sample:
    samples, rejections = decoded(topic, payload, *routes)
    assert rejections == []
    (sample,) = samples
    return sample


def reason(topic: str, payload: str | bytes, *routes: RouteConfig) -> str:
    samples, rejections = decoded(topic, payload, *routes)
    assert samples == []
    (rejection,) = rejections
    assert rejection.topic == topic
    assert rejection.detail
    return rejection.reason_code


def test_plain_number_is_canonical():
    assert one("littoral/reed/temperature", "24.25") == Sample("reed", "temperature", "main", 24.25)


def test_sensor_from_the_topic():
    assert one("littoral/reed/ph/inflow", "6.6").sensor == "inflow"
    assert one("littoral/reed/ph/In%20flow 2", "6.6").sensor == "in-20flow-2"


@pytest.mark.parametrize(
    ("payload", "celsius"),
    # NIST SP 811 (2008), appendix B.8: t/°C = (t/°F - 32) / 1.8 and t/°C = T/K - 273.15
    [("72.5 °F", 22.5), ("72.5 degF", 22.5), ("295.65 K", 22.5), (" 22.5 Cel ", 22.5)],
)
def test_number_with_unit(payload, celsius):
    assert one("littoral/reed/temperature", payload).value == pytest.approx(celsius, abs=1e-9)


def test_conductivity_in_millisiemens():
    sample = one("littoral/reed/conductivity", "0.25 mS/cm")
    assert sample.value == pytest.approx(250.0)


def test_object_with_value_unit_time_sensor():
    payload = json.dumps(
        {"value": 72.5, "unit": "degF", "time": "2023-11-14T22:13:20Z", "sensor": "Rear", "rssi": 3}
    )
    sample = one("littoral/reed/temperature", payload)
    assert sample.value == pytest.approx(22.5)
    assert (sample.sensor, sample.time_us) == ("rear", ARRIVAL_US)


def test_topics_sensor_wins_over_the_payloads():
    payload = '{"value": 6.6, "sensor": "b"}'
    assert one("littoral/reed/ph/a", payload).sensor == "a"


def test_millivolts_stay_raw_for_the_calibration():
    sample = one("littoral/reed/ph", "0.0178 V")
    assert sample.scale == "mV"
    assert sample.value == pytest.approx(17.8)


@pytest.mark.parametrize(
    ("time", "expected_us"),
    [
        (1_700_000_000, ARRIVAL_US),
        (1_700_000_000.25, ARRIVAL_US + 250_000),
        (1_700_000_000_250, ARRIVAL_US + 250_000),
        ("1700000000", ARRIVAL_US),
        ("2023-11-14T22:13:20.250Z", ARRIVAL_US + 250_000),
        ("2023-11-15T00:13:20.250+02:00", ARRIVAL_US + 250_000),
    ],
)
def test_device_times(time, expected_us):
    sample = one("littoral/reed/ph", json.dumps({"value": 6.6, "time": time}))
    assert (sample.time_us, sample.doubt) == (expected_us, Flag.NONE)


@pytest.mark.parametrize(
    "time", ["yesterday", "2023-11-14T22:13:20", True, [], {}, 1e300, "1e999", 10**400, "9" * 30]
)
def test_device_time_that_cannot_be_read_is_doubted_not_lost(time):
    sample = one("littoral/reed/ph", json.dumps({"value": 6.6, "time": time}))
    assert (sample.time_us, sample.doubt) == (None, Flag.CLOCK)


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        ("", Reason.EMPTY),
        ("  ", Reason.EMPTY),
        ("warm", Reason.NOT_A_NUMBER),
        ("24,100", Reason.NOT_A_NUMBER),
        ("24,1,2", Reason.UNKNOWN_UNIT),
        ("1_000", Reason.UNKNOWN_UNIT),
        ("nan", Reason.NOT_FINITE),
        ("-inf", Reason.NOT_FINITE),
        ("1e999", Reason.NOT_FINITE),
        ("24 parsec", Reason.UNKNOWN_UNIT),
        ("24 pH", Reason.UNKNOWN_UNIT),
        (b"\xff\xfe24", Reason.NOT_TEXT),
        ("{", Reason.BAD_JSON),
        ('{"value": NaN}', Reason.NOT_FINITE),
        ('{"value": 1e999}', Reason.NOT_FINITE),
        ('{"value": null}', Reason.NOT_A_NUMBER),
        ('{"value": true}', Reason.NOT_A_NUMBER),
        ('{"value": [24]}', Reason.NOT_A_NUMBER),
        ('{"warmth": 24}', Reason.NO_VALUE),
        ('{"value": 24, "unit": 3}', Reason.UNKNOWN_UNIT),
        ('{"value": "75 °F", "unit": "Cel"}', Reason.UNKNOWN_UNIT),
        ('{"value": %s}' % ("9" * 400), Reason.NOT_FINITE),
        ('{"value": %s}' % ("9" * 5000), Reason.BAD_JSON),
        ('{"a":' * 100_000, Reason.TOO_LARGE),
        ('{"a":' * 50_000, Reason.BAD_JSON),
        ("1.7e308 kK", Reason.NOT_FINITE),
    ],
)
def test_bad_payload_is_rejected_with_a_reason(payload, expected):
    assert reason("littoral/reed/temperature", payload) == expected


def test_a_share_is_no_ph():
    assert reason("littoral/reed/ph", "50 %") == Reason.UNKNOWN_UNIT
    assert one("littoral/reed/ph", "6.6 pH").value == 6.6


@pytest.mark.parametrize(
    ("topic", "expected"),
    [
        ("littoral/pond/temperature", Reason.UNKNOWN_TANK),
        ("littoral/reed/temprature", Reason.UNKNOWN_QUANTITY),
        ("littoral/reed", Reason.UNKNOWN_QUANTITY),
        ("littoral/reed/ph/a/b", Reason.UNKNOWN_TOPIC),
        ("littoral", Reason.UNKNOWN_TOPIC),
    ],
)
def test_bad_topic_is_rejected_with_a_reason(topic, expected):
    assert reason(topic, "6.6") == expected


@pytest.mark.parametrize(
    "topic",
    [
        "littoral/reed/advice/co2-low",
        "littoral/reed/advice/co2-low/ph",
        "littoral/reed/advice/summary",
        "littoral/$ingest/littoral-ingest",
    ],
)
def test_what_littoral_publishes_is_not_taken(topic):
    assert decoded(topic, '{"value": 1}') == ([], [])


def test_excerpt_is_short_and_printable():
    _, (rejection,) = decoded("littoral/reed/ph", b"\x00\x1b[31m" + b"x" * 1000)
    assert len(rejection.payload_excerpt) <= 200
    assert rejection.payload_excerpt.isprintable()
    assert rejection.tank == "reed"


def test_route_with_path_unit_and_names():
    route = RouteConfig(
        "shed/{tank}/{quantity}/state",
        format="json",
        path="data.0.value",
        time_path="at",
        unit="degF",
        names={"warmth": "temperature"},
    )
    payload = '{"at": 1700000000, "data": [{"value": 72.5}]}'
    sample = one("shed/reed/warmth/state", payload, route)
    assert sample.quantity == "temperature"
    assert sample.value == pytest.approx(22.5)
    assert sample.time_us == ARRIVAL_US
    assert reason("shed/reed/warmth/state", '{"data": []}', route) == Reason.NO_VALUE


def test_two_routes_read_two_values_of_one_document():
    routes = (
        RouteConfig("box/{tank}", quantity="temperature", format="json", path="t"),
        RouteConfig("box/{tank}", quantity="ph", format="json", path="p"),
    )
    samples, rejections = decoded("box/reed", '{"t": 24.5, "p": 6.6}', *routes)
    assert [(s.quantity, s.value) for s in samples] == [("temperature", 24.5), ("ph", 6.6)]
    assert rejections == []
