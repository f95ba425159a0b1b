"""What home-made devices send at first: words with units in them, commas, documents of values."""

from __future__ import annotations

import json

import pytest

from ingest.decode.decoder import decode
from ingest.decode.message import Message, Reason
from ingest.decode.quantity_words import meant_by
from ingest.decode.routes import Router
from service.config import RouteConfig

TANKS = frozenset({"reed", "sedge"})


def decoded(topic, payload, *routes):
    text = payload if isinstance(payload, str) else json.dumps(payload)
    targets = Router("littoral", routes).targets(topic)
    samples, rejections, _ = decode(Message(topic, text.encode(), 1), targets, TANKS)
    found = [(s.quantity, s.sensor, round(s.value, 3)) for s in samples]
    return found, [(r.reason_code, r.detail) for r in rejections]


@pytest.mark.parametrize(
    ("word", "quantity", "unit", "place"),
    [
        ("temperature", "temperature", None, ""),
        ("temp", "temperature", None, ""),
        ("tempC", "temperature", "Cel", ""),
        ("tempF", "temperature", "degF", ""),
        ("temp_f", "temperature", "degF", ""),
        ("temperature_celsius", "temperature", "Cel", ""),
        ("water_temp", "temperature", None, ""),
        ("temp_rear", "temperature", None, "rear"),
        ("temp2", "temperature", None, "temperature-2"),
        ("pH", "ph", None, ""),
        ("ph_value", "ph", None, ""),
        ("ph_mV", "ph", "mV", ""),
        ("light_lux", "illuminance", "lx", ""),
        ("lux", "illuminance", "lx", ""),
        ("PAR", "ppfd", None, ""),
        ("ec_mS_cm", "conductivity", "mS/cm", ""),
        ("conductivity", "conductivity", None, ""),
        ("dissolved_oxygen", "dissolved_oxygen", None, ""),
    ],
)
def test_words_that_name_a_quantity(word, quantity, unit, place):
    meant = meant_by(word)
    assert meant is not None
    assert (meant.quantity, meant.unit, meant.place) == (quantity, unit, place)


@pytest.mark.parametrize(
    "word",
    [
        "sensor", "state", "value", "light", "t", "do", "rssi", "humidity", "",
        "air_temp", "cpu_temperature", "temp_setpoint", "targetTemp", "ph_raw", "temp_unit",
        "color_temp", "ph_temp", "oxygen_saturation", "temperature_offset", "phosphate",
    ],
)  # fmt: skip
def test_words_that_name_none_or_something_else_than_the_water(word):
    assert meant_by(word) is None


@pytest.mark.parametrize(
    ("payload", "value"),
    [("24,5", 24.5), ("24,5 °C", 24.5), ("76,1 °F", 24.5), ('{"value": "24,5"}', 24.5)],
)
def test_a_decimal_comma_is_a_decimal_point(payload, value):
    assert decoded("littoral/reed/temperature", payload) == ([("temperature", "main", value)], [])


def test_a_comma_that_may_stand_for_thousands_is_no_guess():
    found, [(reason, detail)] = decoded("littoral/reed/illuminance", "5,200")
    assert (found, reason) == ([], Reason.NOT_A_NUMBER)
    assert "5.200" in detail and "5200" in detail
    assert decoded("littoral/reed/ph", "0,250")[0] == [("ph", "main", 0.25)]


@pytest.mark.parametrize(
    ("payload", "found"),
    [
        (
            {"temperature": 24.5, "ph": 6.62},
            [("temperature", "main", 24.5), ("ph", "main", 6.62)],
        ),
        (
            {"tempF": 76.1, "light_lux": 5200, "rssi": -60, "up": True},
            [("temperature", "main", 24.5), ("illuminance", "main", 5200)],
        ),
        (
            {"temp_rear": 24.5, "temp_front": 24.3, "air_temp": 20.1},
            [("temperature", "rear", 24.5), ("temperature", "front", 24.3)],
        ),
        (
            {"rear": {"temp": 24.5}, "front": {"temp": 24.3}, "air": {"temp": 20}},
            [("temperature", "rear", 24.5), ("temperature", "front", 24.3)],
        ),
        (
            {"temperature": {"value": 76.1, "unit": "°F"}, "sensor": "Pack 1"},
            [("temperature", "pack-1", 24.5)],
        ),
        ({"temp": 76.1, "temp_unit": "F"}, [("temperature", "main", 24.5)]),
        ({"ph": "6,62"}, [("ph", "main", 6.62)]),
    ],
)
def test_a_document_of_several_quantities_on_the_topic_of_a_tank(payload, found):
    assert decoded("littoral/reed", payload) == (found, [])


def test_a_document_says_when_and_which_message_it_is():
    payload = b'{"temp": 24.5, "pH": 6.6, "time": "2031-05-04T10:00:00Z", "sequence": "3f-1"}'
    targets = Router("littoral").targets("littoral/reed")
    found = decode(Message("littoral/reed", payload, 1), targets, TANKS)
    assert {sample.time_us for sample in found.samples} == {1935655200000000}
    assert found.numbered


def test_a_document_in_which_nothing_is_known_is_rejected_by_its_keys():
    found, [(reason, detail)] = decoded("littoral/reed", {"rssi": -60, "light": 812})
    assert (found, reason) == ([], Reason.NO_VALUE)
    assert "light" in detail and "rssi" in detail


def test_a_value_of_a_document_that_is_no_number_is_rejected_alone():
    found, [(reason, detail)] = decoded("littoral/reed", {"temp": None, "ph": 6.6})
    assert (found, reason) == ([("ph", "main", 6.6)], Reason.NOT_A_NUMBER)
    assert detail.startswith("temp is null")


def test_line_protocol_is_recognised_without_a_route():
    line = "water,sensor=rear tempC=24.5,pH=6.62,rssi=-60i 1935655200000000000"
    found, refused = decoded("littoral/reed", line)
    assert found == [("temperature", "rear", 24.5), ("ph", "rear", 6.62)]
    assert [reason for reason, _ in refused] == [Reason.UNKNOWN_QUANTITY]


def test_names_of_a_senml_pack_are_read_as_words():
    pack = [{"n": "board:tempF", "v": 76.1}, {"n": "board:pH", "v": 6.62}]
    assert decoded("littoral/reed", pack)[0] == [
        ("temperature", "board", 24.5),
        ("ph", "board", 6.62),
    ]


def test_a_field_of_another_quantity_is_not_stored_as_that_of_the_route():
    route = RouteConfig("shed/reed", tank="reed", quantity="temperature", format="line")
    found, [(reason, detail)] = decoded("shed/reed", "w temperature=24.5,ph=6.62 1", route)
    assert found == [("temperature", "main", 24.5)]
    assert reason == Reason.UNKNOWN_QUANTITY
    assert "'ph'" in detail


@pytest.mark.parametrize(
    ("topic", "payload", "routes"),
    [
        ("littoral/reed", [{"n": "temperature", "v": 24.5}, {"n": "temperature", "v": 20.1}], ()),
        (
            "shed/reed",
            "w a=24.5,b=20.1 1",
            [
                RouteConfig(
                    "shed/{tank}",
                    format="line",
                    names={"a": "temperature", "b": "temperature"},
                )
            ],
        ),
    ],
)
def test_of_two_values_of_one_series_at_one_time_none_is_lost_silently(topic, payload, routes):
    found, refused = decoded(topic, payload, *routes)
    assert found == []
    assert [reason for reason, _ in refused] == [Reason.TWO_VALUES]
    assert "24.5" in refused[0][1] and "20.1" in refused[0][1]


def test_the_same_value_twice_is_one_value():
    pack = [{"n": "temperature", "v": 24.5}, {"n": "temperature", "v": 24.5}]
    assert decoded("littoral/reed", pack) == ([("temperature", "main", 24.5)] * 2, [])


def test_other_keys_of_a_document_are_not_the_quantity_of_the_topic():
    topic = "littoral/reed/temperature"
    assert decoded(topic, {"temp": 24.5, "rssi": -60}) == ([("temperature", "main", 24.5)], [])
    found, [(reason, _)] = decoded(topic, {"temp": 24.5, "ph": 6.6})
    assert (found, reason) == ([("temperature", "main", 24.5)], Reason.UNKNOWN_QUANTITY)
