"""Suggested routes: what is known of a topic and its payload, and nothing that is guessed."""

from __future__ import annotations

import json

import pytest

from ingest.decode.decoder import decode
from ingest.decode.message import Message
from ingest.decode.routes import Router
from ingest.tools.own_topics import is_own_output
from ingest.tools.route_suggestion import as_toml, suggestions
from service.config import load_config
from service.errors import ConfigError

TANKS = frozenset({"riffle", "reed", "sedge"})


def suggest_routes(topic, payload, tanks):
    return "\n".join(as_toml(one, tanks) for one in suggestions(topic, payload, tanks))


def pasted(tmp_path, text, topic, payload):
    file = tmp_path / "littoral.toml"
    file.write_text(text)
    router = Router("littoral", load_config(file, {}).routes)
    samples, rejections, _ = decode(Message(topic, payload, 1), router.targets(topic), TANKS)
    assert list(rejections) == []
    return [(s.tank, s.quantity, s.sensor, round(s.value, 3)) for s in samples]


FIRST_PASTE = [
    (
        "esp/riffle/sensor/ph_value/state",
        b"6.62",
        [("riffle", "ph", "main", 6.62)],
    ),
    ("yard/sedge/temp", b"24,5", [("sedge", "temperature", "main", 24.5)]),
    ("yard/sedge/temp_f", b"76.1", [("sedge", "temperature", "main", 24.5)]),
    ("yard/Riffle/tempC", b"24.5", [("riffle", "temperature", "main", 24.5)]),
    ("yard/reed/light_lux", b"5200", [("reed", "illuminance", "main", 5200)]),
    ("yard/reed/temp", b'{"value": 76.1, "unit": "F"}', [("reed", "temperature", "main", 24.5)]),
    (
        "yard/reed/board",
        json.dumps({"rssi": -60, "water": {"tempC": 24.5, "pH": "6,6"}, "up": True}).encode(),
        [("reed", "temperature", "main", 24.5), ("reed", "ph", "main", 6.6)],
    ),
    (
        "yard/reed/board",
        b'{"temp_rear": 24.5, "temp_front": 24.3, "air_temp": 20.1}',
        [("reed", "temperature", "rear", 24.5), ("reed", "temperature", "front", 24.3)],
    ),
    (
        "yard/reed/board",
        b'{"probe-1": {"Temperature": 24.5}, "probe-2": {"Temperature": 24.3}}',
        [("reed", "temperature", "probe-1", 24.5), ("reed", "temperature", "probe-2", 24.3)],
    ),
    (
        "yard/reed/pack",
        b'[{"bn": "rear:", "n": "tempF", "v": 76.1}, {"n": "ph", "u": "pH", "v": 6.62}]',
        [("reed", "temperature", "rear", 24.5), ("reed", "ph", "rear", 6.62)],
    ),
    (
        "yard/lines",
        b"water,tank=reed,sensor=rear tempC=24.5,pH=6.62 1935655200000000000",
        [("reed", "temperature", "rear", 24.5), ("reed", "ph", "rear", 6.62)],
    ),
    ('odd"topic/reed/par', b"3", [("reed", "ppfd", "main", 3)]),
]


@pytest.mark.parametrize(("topic", "payload", "expected"), FIRST_PASTE)
def test_works_at_the_first_paste(tmp_path, topic, payload, expected):
    text = suggest_routes(topic, payload, TANKS)
    assert pasted(tmp_path, text, topic, payload) == expected


LEFT_OPEN = [
    ("shed/unknown", b"24.5", {"tank", "quantity"}),
    ("shed/box/temp", b"24.5", {"tank"}),
    ("esp/reed/sedge/temp", b"24.5", {"tank"}),
    ("shed/reed/value", b"24.5", {"quantity"}),
    ("shed/reed/light", b"812", {"quantity"}),
    ("shed/reed/air_temp", b"20.5", {"quantity"}),
    ("shed/reed/temp", b"76.1", {"unit"}),
    ("shed/reed/ec", b"0.25", {"unit"}),
    ("shed/reed/board", b'{"list": [{"temp": 24.5}, {"temp": 20.1}]}', {"sensor"}),
    ("shed/reed/board", b'{"a": 1, "b": 2}', {"quantity", "path"}),
]


@pytest.mark.parametrize(("topic", "payload", "left_open"), LEFT_OPEN)
def test_what_is_not_known_is_left_open(tmp_path, topic, payload, left_open):
    found = suggestions(topic, payload, TANKS)
    assert found
    assert all(set(one.left_open) == left_open for one in found)
    file = tmp_path / "littoral.toml"
    file.write_text(suggest_routes(topic, payload, TANKS))
    with pytest.raises(ConfigError, match="route"):
        Router("littoral", load_config(file, {}).routes)


@pytest.mark.parametrize("payload", [b"open", b"", b'{"state": "on"}', b"\xff\xfe", b"[]"])
def test_nothing_is_suggested_for_what_has_no_number(payload):
    assert suggestions("door/reed/lock", payload, TANKS) == ()


def test_never_a_tank_that_the_topic_does_not_name():
    for topic in ("shed/7/temp", "reedy/temp", "shed/reed-2/temp"):
        (one,) = suggestions(topic, b"24.5", TANKS)
        assert one.route.tank is None


@pytest.mark.parametrize(
    "topic",
    [
        "littoral/reed/advice/co2-low",
        "littoral/$ingest/littoral",
        "homie/5/littoral-reed/water/co2",
        "homie/5/littoral/$state",
        "homeassistant/device/littoral-reed/config",
        "homeassistant/sensor/littoral-reed/ph/config",
        "littoral/$hub/hub/reed/co2",
    ],
)
def test_our_own_output_is_known(tmp_path, topic):
    file = tmp_path / "littoral.toml"
    file.write_text(
        '[[integration]]\nkind = "homie"\nname = "homie"\n'
        '[[integration]]\nkind = "hub"\nname = "hub"\n'
    )
    config = load_config(file, {})
    assert is_own_output(topic, config)


@pytest.mark.parametrize(
    "topic", ["homie/5/others/water/ph", "homeassistant/sensor/x/config", "littoral/reed/ph"]
)
def test_devices_of_others_beside_ours_are_not_ours(tmp_path, topic):
    file = tmp_path / "littoral.toml"
    file.write_text('[[integration]]\nkind = "homie"\nname = "homie"\n')
    assert not is_own_output(topic, load_config(file, {}))


@pytest.mark.parametrize(("others", "found"), [(199, True), (200, False)])
def test_two_hundred_numbers_of_a_payload_are_looked_at(others, found):
    """More than a sensor sends; a hostile document is not walked to its end."""
    numbers = {f"x{n}": n for n in range(others)} | {"warmth": {"temperature": 24.5}}
    text = suggest_routes("yard/reed/all", json.dumps(numbers).encode(), TANKS)
    assert ('path = "warmth.temperature"' in text) is found
