"""SenML packs and line protocol."""

from __future__ import annotations

import json

import pytest

from ingest.decode.decoder import decode
from ingest.decode.message import Message, PayloadError, Reason
from ingest.decode.payloads import parse
from ingest.decode.payloads.record import split_name
from ingest.decode.routes import Router
from service.config import RouteConfig

ARRIVAL_US = 1_320_078_429_000_000


def pack(document):
    return parse(json.dumps(document).encode(), "senml")


def samples_of(topic, document, *routes, retain=False):
    payload = document if isinstance(document, bytes) else json.dumps(document).encode()
    message = Message(topic, payload, ARRIVAL_US, retain=retain)
    return decode(message, Router("littoral", routes).targets(topic), {"reed", "sedge"})[:2]


# -- SenML, against the examples of RFC 8428 (numbers as in its sections)


def test_rfc8428_5_1_2_base_values_and_relative_times():
    """Section 5.1.2: voltage, and current of the last five seconds before 2010-06-08 18:01:16."""
    base = {"bn": "urn:dev:ow:10e2073a0108006:", "bt": 1.276020076001e9, "bu": "A", "bver": 5}
    parsed = pack(
        [
            base | {"n": "voltage", "u": "V", "v": 120.1},
            *(
                {"n": "current", "t": t, "v": v}
                for t, v in zip(range(-5, 0), (1.2, 1.3, 1.4, 1.5, 1.6), strict=True)
            ),
            {"n": "current", "v": 1.7},
        ]
    )
    assert parsed.faults == ()
    found = [(r.name.rpartition(":")[2], r.unit, r.time, r.value) for r in parsed.records]
    assert found == [
        ("current", "A", 1276020071.001, 1.2),
        ("current", "A", 1276020072.001, 1.3),
        ("current", "A", 1276020073.001, 1.4),
        ("current", "A", 1276020074.001, 1.5),
        ("current", "A", 1276020075.001, 1.6),
        ("voltage", "V", 1276020076.001, 120.1),
        ("current", "A", 1276020076.001, 1.7),
    ]


def test_rfc8428_5_1_4_resolved_times():
    """Sections 5.1.3 and 5.1.4: humidity every minute from 2011-10-31 13:24:24 UTC."""
    parsed = pack(
        [
            {"bn": "urn:dev:ow:10e2073a01080063", "bt": 1.320067464e9, "bu": "%RH", "v": 20},
            {"u": "lon", "v": 24.30621},
            {"t": 60, "v": 20.3},
            {"u": "%EL", "t": 150, "v": 98},
            {"t": 180, "v": 21.2},
        ]
    )
    assert [(r.unit, r.time, r.value) for r in parsed.records] == [
        ("%RH", 1320067464.0, 20),
        ("lon", 1320067464.0, 24.30621),
        ("%RH", 1320067524.0, 20.3),
        ("%EL", 1320067614.0, 98),
        ("%RH", 1320067644.0, 21.2),
    ]


def test_rfc8428_5_1_5_other_data_types_are_no_numbers():
    """Section 5.1.5: numbers, text, truth and data in one pack."""
    parsed = pack(
        [
            {"bn": "urn:dev:ow:10e2073a01080063:", "n": "temp", "u": "Cel", "v": 23.1},
            {"n": "label", "vs": "Machine Room"},
            {"n": "open", "vb": False},
            {"n": "nfv-reader", "vd": "aGkgCg"},
        ]
    )
    assert [r.value for r in parsed.records] == [23.1]
    assert [f.reason for f in parsed.faults] == [Reason.NOT_A_NUMBER] * 3


def test_rfc8428_4_4_unknown_labels_are_ignored_unless_they_must_be_understood():
    assert pack([{"n": "ph", "v": 6.6, "colour": "blue"}]).records[0].value == 6.6
    with pytest.raises(PayloadError, match="foo_") as caught:
        pack([{"n": "ph", "v": 6.6}, {"n": "ph", "v": 6.7, "foo_": 1}])
    assert caught.value.reason == Reason.BAD_SENML


def test_rfc8428_4_5_3_small_times_are_relative_to_now():
    samples, _ = samples_of("littoral/reed", [{"n": "ph", "v": 6.6, "t": -90.5}])
    assert samples[0].time_us == ARRIVAL_US - 90_500_000
    samples, _ = samples_of("littoral/reed", [{"n": "ph", "v": 6.6, "bt": 2**28, "t": 0}])
    assert samples[0].time_us == 2**28 * 1_000_000
    samples, _ = samples_of("littoral/reed", [{"n": "ph", "v": 6.6}])
    assert samples[0].time_us is None


def test_base_value_is_added_and_base_only_records_carry_no_value():
    parsed = pack([{"bn": "a/", "bv": 20.0}, {"n": "temperature", "v": 4.5}, {"n": "ph"}])
    assert [(r.name, r.value) for r in parsed.records] == [("a/temperature", 24.5), ("a/ph", 20.0)]


@pytest.mark.parametrize(
    "document",
    [
        [],
        {"n": "ph", "v": 6.6},
        [3],
        [{"bn": 3, "v": 1}],
        [{"n": "ph", "v": 1, "bt": "now"}],
        [{"n": "ph", "v": 1, "bver": 11}],
        [{"n": "ph", "v": 1, "bver": True}],
    ],
)
def test_pack_that_must_not_be_used(document):
    with pytest.raises(PayloadError) as caught:
        pack(document)
    assert caught.value.reason == Reason.BAD_SENML


@pytest.mark.parametrize(
    ("record", "reason"),
    [
        ({"n": "ph"}, Reason.NO_VALUE),
        ({"n": "ph", "s": 4}, Reason.NO_VALUE),
        ({"n": "ph", "v": 1, "vs": "x"}, Reason.NO_VALUE),
        ({"n": "-ph", "v": 1}, Reason.NO_VALUE),
        ({"v": 1}, Reason.NO_VALUE),
        ({"n": "ph", "v": "6.6"}, Reason.NOT_A_NUMBER),
        ({"n": "ph", "v": True}, Reason.NOT_A_NUMBER),
        ({"n": "ph", "v": 1e308, "bv": 1e308}, Reason.NOT_FINITE),
    ],
)
def test_one_bad_record_does_not_spoil_the_others(record, reason):
    parsed = pack([{"n": "temperature", "u": "Cel", "v": 24.5}, record])
    assert [r.value for r in parsed.records] == [24.5]
    assert [f.reason for f in parsed.faults] == [reason]


def test_pack_on_the_tanks_own_topic_names_quantity_and_sensor():
    samples, rejections = samples_of(
        "littoral/reed",
        [
            {"bn": "urn:dev:mac:0024befffe804ff1:", "n": "temperature", "u": "K", "v": 297.65},
            {"n": "ph", "u": "mV", "v": 17.8},
            {"n": "conductivity", "u": "S/m", "v": 0.025},
            {"n": "battery", "u": "%EL", "v": 98},
        ],
    )
    assert [(s.quantity, s.sensor, s.scale) for s in samples] == [
        ("temperature", "urn-dev-mac-0024befffe804ff1", None),
        ("ph", "urn-dev-mac-0024befffe804ff1", "mV"),
        ("conductivity", "urn-dev-mac-0024befffe804ff1", None),
    ]
    assert [round(s.value, 9) for s in samples] == [24.5, 17.8, 250.0]
    assert [r.reason_code for r in rejections] == [Reason.UNKNOWN_QUANTITY]


def test_topic_names_the_quantity_the_record_the_sensor():
    samples, _ = samples_of("littoral/reed/ph", [{"n": "rear:ph", "v": 6.6}])
    assert [(s.quantity, s.sensor) for s in samples] == [("ph", "rear")]
    samples, _ = samples_of("littoral/reed/ph/front", [{"n": "rear", "v": 6.6}])
    assert [(s.quantity, s.sensor) for s in samples] == [("ph", "front")]


def test_relative_time_of_a_retained_pack_means_nothing():
    samples, _ = samples_of("littoral/reed", [{"n": "ph", "v": 6.6, "t": -5}], retain=True)
    assert samples[0].time_us is None


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("temperature", ("temperature", None)),
        ("canopy/temperature", ("temperature", "canopy")),
        ("a:b_dissolved_oxygen", ("dissolved_oxygen", "a:b")),
        ("Box.PH", ("ph", "Box")),
        ("alph", (None, "alph")),
        ("box:warmth", ("temperature", "box")),
    ],
)
def test_split_name(name, expected):
    words = {"temperature": "temperature", "ph": "ph", "warmth": "temperature"}
    words["dissolved_oxygen"] = "dissolved_oxygen"
    assert split_name(name, words) == expected


# -- line protocol

LINES = RouteConfig("lines/{tank}", format="line", names={"temp": "temperature"})
ANY_TANK = RouteConfig("lines", format="line")


def test_lines_with_fields_tags_and_times():
    samples, rejections = samples_of(
        "lines/reed",
        b'water,sensor=rear\\ left,room=x temp=24.5,ph=6.6,note="a b, c=1" 1320067464000000000\n'
        b"# a comment\n\n"
        b"illuminance value=12000i\n",
        LINES,
    )
    assert [(s.quantity, s.sensor, s.value, s.time_us) for s in samples] == [
        ("temperature", "rear-left", 24.5, 1_320_067_464_000_000),
        ("ph", "rear-left", 6.6, 1_320_067_464_000_000),
        ("illuminance", "main", 12000.0, None),
    ]
    assert [r.reason_code for r in rejections] == [Reason.NOT_A_NUMBER]


def test_line_names_the_tank():
    samples, rejections = samples_of(
        "lines", b"ph,tank=sedge value=6.6\nph,tank=pond value=6.6\nph value=6.6", ANY_TANK
    )
    assert [(s.tank, s.value) for s in samples] == [("sedge", 6.6)]
    assert [r.reason_code for r in rejections] == [Reason.UNKNOWN_TANK] * 2


@pytest.mark.parametrize(
    "line",
    ["ph", "ph value", "ph value=", "ph =6.6", "ph value=6.6 noon", "ph value=6.6 1 2", "ph,x v=1"],
)
def test_bad_line_spoils_no_other(line):
    samples, rejections = samples_of("lines/reed", f"{line}\nph value=6.6".encode(), LINES)
    assert [s.value for s in samples] == [6.6]
    assert [r.reason_code for r in rejections] == [Reason.BAD_LINE]
