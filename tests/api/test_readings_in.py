"""Readings over HTTP: converted, calibrated, doubted; repeated without harm; rejected in parts."""

from __future__ import annotations

import json
from datetime import timedelta

import numpy as np
import pytest

from ingest.decode.decoder import Decoder
from ingest.decode.message import Message
from ingest.decode.routes import Router
from ingest.process import Calibrations, ClockLimits, Processor
from service.advice.engine.catalogue import evaluate
from service.clock import FixedClock
from service.derive.loader import load
from service.derive.tank_view import tank_view
from service.errors import StoreUnavailableError
from service.pages.tank.sensor_lines import sensor_lines
from service.quantities import QUANTITIES
from service.store import Flag, Reading, SeriesKey, open_store
from service.times import to_us
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import put

URL = "/v1/tanks/riffle/readings"
SENML_URL = f"{URL}/senml"
AT = "2025-06-04T11:58:00Z"


@pytest.fixture(autouse=True)
def tank(client):
    put(client)


def stored(context, quantity="temperature", sensor="main"):
    return context.store.read(SeriesKey("riffle", quantity, sensor), 0, 2**60, flagged=True)


def test_golden_shape(client, context):
    response = client.post(
        URL, json={"quantity": "temperature", "value": 75.2, "unit": "degF", "sensor": "Wet 1"}
    )
    assert response.status_code == 200
    assert response.get_json() == {
        "tank": "riffle",
        "outcomes": [
            {
                "outcome": "stored",
                "reading": {
                    "time": "2025-06-04T12:00:00Z",
                    "quantity": "temperature",
                    "sensor": "wet-1",
                    "value": pytest.approx(24.0),
                    "unit": "Cel",
                    "flags": [],
                },
                "reason": None,
                "detail": None,
            }
        ],
        "next": None,
    }
    assert stored(context, sensor="wet-1").value == pytest.approx([24.0])


def test_sent_again_changes_nothing(client, context):
    reading = {"quantity": "ph", "value": 6.8, "time": AT}
    first = client.post(URL, json=reading).get_json()["outcomes"][0]
    again = client.post(URL, json=reading).get_json()["outcomes"][0]
    assert (first["outcome"], again["outcome"]) == ("stored", "unchanged")
    assert first["reading"] == again["reading"]
    assert len(stored(context, "ph")) == 1


def test_several_some_of_them_wrong(client, context):
    response = client.post(
        URL,
        json={
            "readings": [
                {"quantity": "ph", "value": 6.8, "time": AT},
                {"quantity": "ph", "value": "acid"},
                {"quantity": "salinity", "value": 1},
                {"quantity": "temperature", "value": 24, "unit": "zorg"},
                {"quantity": "conductivity", "value": 0.4, "unit": "mS/cm"},
            ]
        },
    )
    assert response.status_code == 207
    outcomes = response.get_json()["outcomes"]
    assert [one["outcome"] for one in outcomes] == [
        "stored",
        "rejected",
        "rejected",
        "rejected",
        "stored",
    ]
    assert [one["reason"] for one in outcomes] == [
        None,
        "not-a-number",
        "unknown-quantity",
        "unknown-unit",
        None,
    ]
    assert "'acid'" in outcomes[1]["detail"]
    assert outcomes[4]["reading"]["value"] == pytest.approx(400)
    assert len(stored(context, "ph")) == 1
    told = client.get("/v1/rejections").get_json()
    assert told["counts"] == {"not-a-number": 1, "unknown-quantity": 1, "unknown-unit": 1}
    assert {one["source"] for one in told["rejections"]} == {"http"}
    assert {one["tank"] for one in told["rejections"]} == {"riffle"}


def test_senml(client, context):
    """The base values of RFC 8428, section 4.1, over two sensors."""
    pack = [
        {"bn": "shed:", "bt": to_us(NOW) / 1e6 - 60, "n": "temperature", "u": "Cel", "v": 24.1},
        {"n": "ph", "u": "pH", "v": 6.81, "t": 30},
        {"n": "door", "vb": True},
    ]
    response = client.post(SENML_URL, data=json.dumps(pack), content_type="application/senml+json")
    assert response.status_code == 207
    outcomes = response.get_json()["outcomes"]
    assert [one["outcome"] for one in outcomes] == ["stored", "stored", "rejected"]
    first, second = (one["reading"] for one in outcomes[:2])
    assert (first["quantity"], first["sensor"], first["value"]) == ("temperature", "shed", 24.1)
    assert (first["time"], second["time"]) == ("2025-06-04T11:59:00Z", "2025-06-04T11:59:30Z")
    again = client.post(SENML_URL, data=json.dumps(pack), content_type="application/senml+json")
    assert [one["outcome"] for one in again.get_json()["outcomes"]] == [
        "unchanged",
        "unchanged",
        "rejected",
    ]


def test_doubts_are_flags(client, context):
    absurd = client.post(URL, json={"quantity": "temperature", "value": 99, "time": AT}).get_json()
    assert absurd["outcomes"][0]["reading"]["flags"] == ["implausible"]
    late = client.post(
        URL, json={"quantity": "ph", "value": 7, "time": "2025-06-04T06:00:00Z"}
    ).get_json()
    assert late["outcomes"][0]["reading"]["flags"] == ["late"]
    ahead = client.post(
        URL, json={"quantity": "illuminance", "value": 7, "time": "2025-06-05T06:00:00Z"}
    ).get_json()
    reading = ahead["outcomes"][0]["reading"]
    assert (reading["flags"], reading["time"]) == (["clock"], "2025-06-04T12:00:00Z")
    assert Flag(int(stored(context).flags[0])) == Flag.IMPLAUSIBLE


HOUR_US = 3_600_000_000


def still(context, hours, *, until_us):
    """A thermometer that has stopped, as the ingester stored it: a reading each ten minutes."""
    times = range(until_us - hours * HOUR_US, until_us, HOUR_US // 6)
    context.store.write([Reading("riffle", "temperature", "main", at, 24.06) for at in times])


def test_a_stuck_sensor_is_known_from_the_store_after_a_restart(client, context):
    still(context, 26, until_us=to_us(NOW))
    answer = client.post(URL, json={"quantity": "temperature", "value": 24.06}).get_json()
    assert answer["outcomes"][0]["reading"]["flags"] == ["stuck"]


def test_what_the_ingester_wrote_meanwhile_counts(client, context):
    def post(value, time):
        reading = {"quantity": "temperature", "value": value, "time": time}
        return client.post(URL, json=reading).get_json()["outcomes"][0]["reading"]["flags"]

    assert post(24.66, "2025-06-03T09:00:00Z") == ["late"]  # from here on it has a memory
    still(context, 26, until_us=to_us(NOW))
    assert post(24.06, "2025-06-04T12:00:00Z") == ["stuck"]


def test_what_the_store_did_not_take_is_judged_again(client, context, monkeypatch):
    for minute in range(50, 60):
        at = f"2025-06-04T11:{minute}:00Z"
        client.post(URL, json={"quantity": "temperature", "value": 24.06, "time": at})
    spike = {"quantity": "temperature", "value": 31.0, "time": "2025-06-04T12:00:00Z"}

    def away(_readings):
        raise StoreUnavailableError("away (by this test)")

    with monkeypatch.context() as patched:
        patched.setattr(context.store, "write", away)
        problem_of(client.post(URL, json=spike), 503, "store-unavailable")
    again = client.post(URL, json=spike).get_json()
    assert again["outcomes"][0]["reading"]["flags"] == ["spike"]


#: An electrode without calibration: ideal, 59.16 mV a pH at 25 °C (Nernst; any handbook).
ELECTRODE = {"quantity": "ph", "value": 59.16, "unit": "mV"}


def test_an_impossible_temperature_compensates_no_electrode(client, context):
    absurd = client.post(URL, json={"quantity": "temperature", "value": 4711}).get_json()
    assert absurd["outcomes"][0]["reading"]["flags"] == ["implausible"]
    reading = client.post(URL, json=ELECTRODE).get_json()["outcomes"][0]["reading"]
    assert reading["value"] == pytest.approx(6.0, abs=0.001)
    assert reading["flags"] == ["uncalibrated"]


def test_a_temperature_with_a_wrong_clock_compensates_no_electrode(client):
    ahead = {"quantity": "temperature", "value": 10, "time": "2025-06-05T06:00:00Z"}
    assert client.post(URL, json=ahead).get_json()["outcomes"][0]["reading"]["flags"] == ["clock"]
    reading = client.post(URL, json=ELECTRODE).get_json()["outcomes"][0]["reading"]
    assert reading["value"] == pytest.approx(6.0, abs=0.001)


def test_a_thermometer_that_speaks_mqtt_compensates_an_electrode_that_speaks_http(client, context):
    context.store.write([Reading("riffle", "temperature", "main", to_us(NOW) - HOUR_US // 2, 20.0)])
    reading = client.post(URL, json=ELECTRODE | {"value": 58.17}).get_json()["outcomes"][0]
    # Nernst slope at 20 °C: 58.17 mV a pH (any handbook)
    assert reading["reading"]["value"] == pytest.approx(6.0, abs=0.001)


#: Messages of one tank in the order in which they come: SenML as in RFC 8428.
PACKS = [
    [{"n": "temperature", "u": "Cel", "v": 4711}, {"n": "ph", "u": "mV", "v": 60}],
    *([{"n": "temperature", "u": "Cel", "v": 24 + n / 10, "t": n - 60}] for n in range(10)),
    [{"n": "temperature", "u": "Cel", "v": 31, "t": -20}, {"n": "ph", "u": "mV", "v": 60}],
    [{"n": "temperature", "u": "Cel", "v": 24, "t": -7200}],
    [{"n": "illuminance", "u": "lx", "v": 5, "t": 86_400}, {"n": "ppfd", "u": "lx", "v": 50}],
    [{"n": "conductivity", "u": "S/m", "v": 0.04}, {"n": "door", "vb": True}],
]


def test_http_and_mqtt_say_the_same(client, context, tmp_path):
    """The same packs over both: the same values, flags and rejections."""
    mqtt = open_store(f"sqlite:///{tmp_path / 'mqtt.db'}")
    decoder = Decoder(Router("littoral"), {"riffle"}, lambda _: None)
    processor = Processor(Calibrations, ClockLimits.of_seconds(3600, 300), mqtt)
    codes = set()
    for pack in PACKS:
        body = json.dumps(pack).encode()
        response = client.post(SENML_URL, data=body, content_type="application/senml+json")
        processed = processor.process(
            decoder.decode([Message("littoral/riffle", body, to_us(NOW))])
        )
        mqtt.write(processed.readings)
        outcomes = response.get_json().get("outcomes", [])
        assert [one["reason"] for one in outcomes if one["reason"]] == [
            one.reason_code for one in processed.rejections
        ]
        codes.add(response.status_code)
    assert codes == {200, 207}
    for quantity in ("temperature", "ph", "illuminance", "ppfd", "conductivity"):
        over_http, over_mqtt = (
            store.read(SeriesKey("riffle", quantity, "main"), 0, 2**60, flagged=True, raw=True)
            for store in (context.store, mqtt)
        )
        assert len(over_http) > 0
        for one, other in zip(
            (over_http.time_us, over_http.value, over_http.flags, over_http.raw),
            (over_mqtt.time_us, over_mqtt.value, over_mqtt.flags, over_mqtt.raw),
            strict=True,
        ):
            np.testing.assert_array_equal(one, other)
    mqtt.close()


def test_a_calibration_in_the_log_counts(client, context):
    entry = {
        "kind": "calibration",
        "data": {"quantity": "temperature", "sensor": "wet", "offset": -0.5},
        "time": "2025-06-04T08:00:00Z",
    }
    assert client.post("/v1/tanks/riffle/log", json=entry).status_code == 201
    reading = {"quantity": "temperature", "sensor": "wet", "value": 24.5, "time": AT}
    outcome = client.post(URL, json=reading).get_json()["outcomes"][0]
    assert outcome["reading"]["value"] == pytest.approx(24.0)
    assert client.post(URL, json=reading).get_json()["outcomes"][0]["outcome"] == "unchanged"


def test_raw_millivolts_need_a_calibration(client):
    reading = {"quantity": "temperature", "value": 180, "unit": "mV"}
    body = problem_of(client.post(URL, json=reading), 422, "invalid-input")
    assert "calibration" in body["detail"].lower()


@pytest.mark.parametrize(
    ("body", "slug", "pointer"),
    [
        ({"quantity": "ph", "value": "acid"}, "invalid-input", ""),
        ({"quantity": "ph"}, "invalid-input", ""),
        ({"quantity": "temperature", "value": 1, "unit": "zorg"}, "unknown-unit", ""),
        ({"readings": [{"quantity": "ph", "value": None}]}, "invalid-input", "/readings/0"),
        ({"readings": []}, "invalid-input", "/readings"),
        ({"readings": {}}, "invalid-input", "/readings"),
        ({"readings": [], "tank": "x"}, "invalid-input", "/tank"),
        ([], "invalid-input", ""),
    ],
)
def test_refusals(client, body, slug, pointer):
    found = problem_of(client.post(URL, json=body), 422, slug)
    assert found["errors"][0]["pointer"] == pointer


def test_wrong_packs(client):
    def send(data):
        return client.post(SENML_URL, data=data, content_type="application/senml+json")

    for data in (b"{}", b"[]", b"[1]", b'[{"n":"ph","v":NaN}]', b'[{"n":"ph","v":1,"x_":1}]'):
        problem_of(send(data), 422, "invalid-input")
    problem_of(send(b" " * 300_000), 413, "too-large")


def test_unknown_tank_and_media_type(client):
    reading = {"quantity": "ph", "value": 7}
    problem_of(client.post("/v1/tanks/none/readings", json=reading), 404, "not-found")
    problem_of(
        client.post(URL, data=b"7", content_type="text/plain"), 415, "unsupported-media-type"
    )


def test_a_sensor_too_many_is_rejected_counted_and_told(client, context):
    """By default a tank gets no more than 50 new sensors in an hour."""
    many = [{"quantity": "ph", "value": 6.5, "sensor": f"s{n}"} for n in range(52)]
    outcomes = client.post(URL, json={"readings": many}).get_json()["outcomes"]
    assert [one["outcome"] for one in outcomes] == ["stored"] * 50 + ["rejected"] * 2
    assert outcomes[50]["reason"] == "too-many-sensors"
    assert outcomes[50]["detail"].startswith("sensor is ph s50, a new one of tank riffle; allowed:")
    assert context.registry.rejection_counts() == {"too-many-sensors": 2}
    answer = client.get("/v1/tanks/riffle/sensors").get_json()
    assert (answer["count"], answer["most"]) == (50, 200)
    assert "allowed: 50 new sensors of a tank in an hour" in answer["refused"]
    again = client.post(URL, json={"quantity": "ph", "value": 6.6, "sensor": "s0"})
    assert again.get_json()["outcomes"][0]["outcome"] == "stored"
    page = client.get("/tanks/riffle").get_data(as_text=True)
    assert "50 of at most 200 sensors" in page
    assert "New sensors are refused." in page


# -- a device whose clock is wrong


def test_a_wrong_clock_is_said_and_its_readings_count(client, context, monkeypatch):
    """Two hours east of UTC, local time as UTC; said in the answer, on the page, in the advice."""
    minutes = 0
    monkeypatch.setattr(FixedClock, "now", lambda _: NOW + timedelta(minutes=minutes))
    for minutes in range(8):
        time = (context.clock.now() + timedelta(hours=2)).isoformat()
        body = {"quantity": "ph", "value": 6.8 + minutes / 100, "time": time, "sensor": "glass-2"}
        outcome = client.post(URL, json=body).get_json()["outcomes"][0]
    assert outcome["reading"]["flags"] == ["time_corrected"]
    assert outcome["reading"]["time"] == "2025-06-04T12:07:00Z"
    words = "the clock of glass-2 is 2 h 0 min fast; it probably sends local time"
    (sensor,) = client.get("/v1/tanks/riffle/sensors").get_json()["sensors"]
    assert sensor["clock"] == {
        "fast": {"value": 7200, "unit": "s"},
        "since": "2025-06-04T12:02:00Z",
        "text": words,
    }
    co2 = client.get("/v1/tanks/riffle/co2").get_json()
    assert co2["inputs"]["ph"]["value"] == pytest.approx(6.87)
    view = tank_view(load(context.registry.tank("riffle"), context.registry, context.store,
                          context.clock.now()))  # fmt: skip
    (finding,) = [one for one in evaluate(view) if one.code == "sensor-clock"]
    assert finding.title.lower() == words.lower()
    (line,) = sensor_lines(view, dict.fromkeys(QUANTITIES, 60.0))
    assert line.doubts == words
    registry = context.registry
    assert [one.fast_s for one in registry.device_clocks("riffle")] == [7200]
    for minutes in range(8, 16):
        body |= {"value": 6.8 + minutes / 100, "time": context.clock.now().isoformat()}
        client.post(URL, json=body)
    assert registry.device_clocks("riffle") == ()
