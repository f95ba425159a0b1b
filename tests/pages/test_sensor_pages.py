"""Forms that set sensors up, by the test client: routes, the believed sensor, calibration, undo."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest

from service.api.context import install
from service.clock import FixedClock
from service.config import RouteConfig
from service.derive.loader import load
from service.errors import StoreUnavailableError
from service.mqtt.listening import Heard
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.store import Flag, Reading, SeriesKey
from service.times import to_us
from tests.api.conftest import NOW, app, client, context, made  # noqa: F401 - fixtures used here too
from tests.api.test_sensor_setup import heard, hears  # noqa: F401 - fixtures used here too

MINUTE_US = 60_000_000


WRONG = {
    "quantity": "ph",
    "sensor": "main",
    "points": [
        {"buffer": "7.00", "millivolts": 60.0, "temperature_c": 25},
        {"buffer": "4.01", "millivolts": 237.0, "temperature_c": 25},
    ],
}
"""A calibration that is 60 mV off, a whole pH (invented)."""


@pytest.fixture
def riffle(context):  # noqa: F811
    context.registry.put_tank(Tank("riffle", "Riffle"))
    return context


@pytest.fixture
def send(client):  # noqa: F811
    """Send a form with the token of its session."""

    def sent(address, **form):
        page = client.get("/handover/links").text
        token = re.search(r'name="csrf_token" value="([^"]+)"', page)[1]
        return client.post(address, data=form | {"csrf_token": token})

    return sent


def text_of(answer):
    """The words of a page, without marks."""
    assert answer.status_code == 200, answer.text
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", answer.text))


def test_a_topic_is_taken_by_one_press_and_given_up_again(client, riffle, hears, send):  # noqa: F811
    hears(heard("esp/riffle/sensor/ph_value/state", b"6,62"), heard("yard/x", b"24.5"))
    page = client.get("/sensors").text
    assert "Use this as the pH of Riffle" in page
    assert "Not known: which tank it is, what it measures." in page
    form = dict(
        re.findall(
            r'name="(topic|tank|quantity)" value="([^"]+)"', page.split("/sensors/routes")[1]
        )
    )
    assert form == {
        "topic": "esp/riffle/sensor/ph_value/state",
        "tank": "riffle",
        "quantity": "ph",
    }
    assert send("/sensors/routes", **form).status_code == 303
    shown = text_of(client.get("/sensors"))
    assert "pH of Riffle: 6.62" in shown
    assert "Made here" in shown
    [route] = riffle.registry.routes()
    again = send("/sensors/routes", **form)
    assert again.status_code == 409
    assert "give this one another sensor" in again.text
    assert send(f"/sensors/routes/{route.id}/delete").status_code == 303
    assert list(riffle.registry.routes()) == []


def test_what_is_open_is_asked_and_tried_before_it_is_used(client, riffle, hears, send):  # noqa: F811
    hears(heard("yard/box", b'{"temp": 76.1, "rssi": -60}'))
    page = client.get("/sensors").text
    address = re.search(r'href="(/sensors/route\?[^"]+)"', page)[1].replace("&amp;", "&")
    form = client.get(address).text
    assert '<option value="temperature" selected>' in form
    assert '<option value="riffle">Riffle</option>' in form
    given = {"topic": "yard/box", "quantity": "temperature", "format": "json", "path": "temp"}
    missing = send("/sensors/routes", **given)
    assert missing.status_code == 422
    assert 'id="fault-tank"' in missing.text
    assert 'value="temp"' in missing.text
    tried = send("/sensors/routes", **given, tank="riffle", unit="degF", tried="1")
    assert "It would be temperature of Riffle, sensor main: 24.5" in text_of(tried)
    assert list(riffle.registry.routes()) == []
    wrong = send("/sensors/routes", **given, tank="riffle", unit="parsec")
    assert "parsec" in wrong.text
    assert send("/sensors/routes", **given, tank="riffle", unit="degF").status_code == 303


def test_two_values_into_one_series_are_refused_on_the_page(app, riffle, hears, send):  # noqa: F811
    both = b'{"list": [{"temp": 24.5}, {"temp": 20.1}]}'
    hears(heard("yard/riffle/box", both))
    configured = RouteConfig("yard/riffle/box", "riffle", "temperature", path="list.0.temp")
    install(app, replace(riffle, config=replace(riffle.config, routes=(configured,))))
    given = {"topic": "yard/riffle/box", "tank": "riffle", "quantity": "temperature"}
    refused = send("/sensors/routes", **given, format="json", path="list.1.temp")
    assert refused.status_code == 409
    assert "write two values into one series" in refused.text
    named = send("/sensors/routes", **given, format="json", path="list.1.temp", sensor="air")
    assert named.status_code == 303


def test_foreign_words_are_escaped(client, riffle, hears):  # noqa: F811
    script = "<script>alert(1)</script>"
    hears(Heard(f"a/{script}", script.encode(), 1, to_us(NOW), False))
    page = client.get("/sensors").text
    assert script not in page
    assert "&lt;script&gt;" in page
    form = client.get("/sensors/route", query_string={"topic": f"a/{script}", "sensor": script})
    assert script not in form.text


def write(store, sensor, quantity, value, minutes=range(10), flags=Flag.NONE):
    store.write(
        [
            Reading("riffle", quantity, sensor, to_us(NOW) - n * MINUTE_US, value, flags)
            for n in minutes
        ]
    )


def test_the_believed_sensor_is_said_and_chosen(client, riffle, send):  # noqa: F811
    write(riffle.store, "main", "temperature", 24.0)
    write(riffle.store, "air", "temperature", 19.0)
    page = text_of(client.get("/tanks/riffle/sensors"))
    assert re.search(r"main: 24\.0? °C .{0,40}believed: it is called main", page), page
    assert not re.search(r"air: 19\.0? °C .{0,40}believed", page)
    address = "/tanks/riffle/sensors/believed"
    assert send(address, quantity="temperature", sensor="air").status_code == 303
    assert riffle.registry.tank("riffle").sensors == {"temperature": "air"}
    page = text_of(client.get("/tanks/riffle/sensors"))
    assert re.search(r"air: 19\.0? °C .{0,40}believed: you chose it", page), page
    [one] = [
        one
        for one in client.get("/v1/tanks/riffle/sensors").get_json()["sensors"]
        if one["believed"]
    ]
    assert (one["sensor"], one["why"]) == ("air", "chosen")
    assert send(address, quantity="temperature", sensor="").status_code == 303
    assert riffle.registry.tank("riffle").sensors == {}
    assert send(address, quantity="colour", sensor="x").status_code == 422


def test_a_wrong_calibration_is_undone_and_the_readings_are_as_before(client, riffle, send):  # noqa: F811
    """Of an electrode in mV: without any calibration it is taken for an ideal one again."""
    since = NOW - timedelta(minutes=5)
    registry, store = riffle.registry, riffle.store
    entry = registry.add_log("riffle", LogKind.CALIBRATION, since, WRONG, recorded=since)
    raw = 59.159 * 0.4
    for minutes, value in ((range(5, 10), 6.6), (range(5), 7.61)):
        store.write(
            [
                Reading("riffle", "ph", "main", to_us(NOW) - n * MINUTE_US, value, raw=raw)
                for n in minutes
            ]
        )
    assert "undo" in client.get("/tanks/riffle/sensors").text
    done = send(f"/tanks/riffle/sensors/calibrations/{entry.id}/undo")
    assert done.status_code == 303
    assert registry.log("riffle") == []
    samples = store.read(SeriesKey("riffle", "ph", "main"), 0, 1 << 62, flagged=True)
    assert samples.value == pytest.approx(6.6, abs=0.001)
    gone = send(f"/tanks/riffle/sensors/calibrations/{entry.id}/undo")
    assert gone.status_code == 404


def test_a_forged_form_is_refused_before_it_is_read(client, riffle, send):  # noqa: F811
    riffle.store.write([Reading("riffle", "ph", "main", to_us(NOW), 6.6)])
    wrong = {"sensor": "main", "pair": "no such pair"}
    forged = client.post("/tanks/riffle/calibrate/save", data=wrong)
    assert forged.status_code in (400, 403)
    assert "no such pair" not in forged.text
    refused = send("/tanks/riffle/calibrate/save", **wrong)
    assert refused.status_code == 422
    assert "no such pair" in refused.text
    assert riffle.registry.log("riffle") == []


def test_undo_while_the_store_is_away_leaves_the_calibration(client, riffle, monkeypatch):  # noqa: F811
    """Else the readings would stay wrong with nothing left to undo."""
    since, registry = NOW - timedelta(minutes=5), riffle.registry
    entry = registry.add_log("riffle", LogKind.CALIBRATION, since, WRONG, recorded=since)

    def away(*_args, **_options):
        raise StoreUnavailableError("away (by this test)")

    monkeypatch.setattr(riffle.store, "read", away)
    assert client.delete(f"/v1/tanks/riffle/calibrations/{entry.id}").status_code == 503
    assert [one.id for one in registry.log("riffle")] == [entry.id]


def test_undo_over_http_refuses_what_is_too_old_or_no_calibration(client, riffle):  # noqa: F811
    registry, long_ago = riffle.registry, NOW - timedelta(days=70)
    old = registry.add_log(
        "riffle", LogKind.CALIBRATION, long_ago, {"quantity": "ph"}, recorded=long_ago
    )
    trim = registry.add_log("riffle", LogKind.TRIM, NOW, {}, recorded=NOW)
    refused = client.delete(f"/v1/tanks/riffle/calibrations/{old.id}")
    assert refused.status_code == 409
    assert "littoral recalibrate riffle --from" in refused.get_json()["detail"]
    assert client.delete(f"/v1/tanks/riffle/calibrations/{trim.id}").status_code == 404
    listed = client.get("/v1/tanks/riffle/calibrations").get_json()["calibrations"]
    assert [one["id"] for one in listed] == [old.id]


class Walk:
    """Somebody who calibrates: time passes, and the sensor sends."""

    def __init__(self, app, client, send, context):  # noqa: F811
        self.app, self.client, self.send, self.context = app, client, send, context
        self.now = NOW

    def later(self, minutes):
        self.now += timedelta(minutes=minutes)
        install(self.app, replace(self.context, clock=FixedClock(self.now)))

    def shows(self, value, *, raw=None, minutes=2):
        start_us = to_us(self.now)
        self.later(minutes)
        self.context.store.write(
            [
                Reading("riffle", "ph", "main", start_us + n * 5_000_000, value, raw=raw)
                for n in range(1, minutes * 12)
            ]
        )

    def page(self, answer):
        while answer.status_code in (302, 303):
            self.address = answer.headers["Location"]
            answer = self.client.get(self.address)
        assert answer.status_code == 200, answer.text
        return answer.text

    def link(self, page, words):
        address = re.search(rf'href="([^"]+)">{words}', page)[1]
        return self.page(self.client.get(address.replace("&amp;", "&")))

    def take(self, page, how="steady"):
        form = page.split('<form method="get"')[1].split("</form>")[0]
        values = dict(re.findall(r'name="(\w+)" value="([^"]*)"', form))
        return self.page(
            self.client.get("/tanks/riffle/calibrate", query_string=values | {"take": how})
        )


@pytest.fixture
def walk(app, client, send, riffle):  # noqa: F811
    riffle.store.write([Reading("riffle", "ph", "main", to_us(NOW), 6.7)])
    return Walk(app, client, send, riffle)


@pytest.mark.parametrize("millivolts", [False, True])
def test_a_guided_calibration_ends_with_slope_offset_and_verdict(walk, millivolts):
    """98.0 % and 5 mV, by Nernst's 59.159 mV at 25 °C, of a sensor in mV and of one in pH."""

    def shows(ph):
        sent = 5.0 - 0.98 * 59.159 * (ph - 7)
        if millivolts:
            walk.shows(7.0 - sent / 59.159, raw=sent)
        else:
            walk.shows(7.0 - sent / 59.159)

    walk.later(1)
    page = walk.page(walk.client.get("/tanks/riffle/calibrate"))
    assert "7.00 and 4.01" in page
    page = walk.page(
        walk.send("/tanks/riffle/calibrate/begin", sensor="main", pair="technical:7.00:4.01")
    )
    assert [one.kind for one in walk.context.registry.log("riffle")] == [LogKind.PROBE_OUT]
    page = walk.link(page, "It is in the buffer 7.00")
    assert "No reading yet" in page
    walk.shows(6.8, minutes=1)
    page = walk.page(walk.client.get(walk.address))
    assert "a minute is needed" in page
    for ph in (7.0, 4.01):
        shows(ph)
        page = walk.page(walk.client.get(walk.address))
        assert "steady" in page
        page = walk.take(page)
        if ph == 7.0:
            page = walk.link(page, "It is in the buffer 4.01")
    words = re.sub(r"<[^>]+>", "", page)
    assert "98.0 %" in words
    assert "+5.0 mV" in words
    assert "good" in words
    form = page.split("/calibrate/save")[1].split("</form>")[0]
    values = dict(re.findall(r'name="(\w+)" value="([^"]*)"', form))
    page = walk.page(walk.send("/tanks/riffle/calibrate/save", **values))
    walk.later(1)
    assert "put it back in the tank" in page
    walk.page(walk.send("/tanks/riffle/calibrate/back", sensor="main"))
    registry = walk.context.registry
    kinds = [one.kind for one in registry.log("riffle")]
    assert kinds == [LogKind.PROBE_BACK, LogKind.CALIBRATION, LogKind.PROBE_OUT]
    walk.later(1)
    tank = registry.tank("riffle")
    inputs = load(tank, registry, walk.context.store, walk.now)
    [span] = inputs.probes_out
    assert span.holds(to_us(NOW) + 2 * MINUTE_US)
    assert "ph" not in inputs.latest or inputs.latest["ph"].value == 6.7


def test_a_moving_or_a_repeated_reading_is_no_calibration(walk):
    page = walk.page(
        walk.send("/tanks/riffle/calibrate/begin", sensor="main", pair="technical:7.00:4.01")
    )
    page = walk.link(page, "It is in the buffer 7.00")
    start_us = to_us(walk.now)
    walk.later(2)
    walk.context.store.write(
        [
            Reading("riffle", "ph", "main", start_us + n * 5_000_000, 6.0 + 0.02 * n)
            for n in range(24)
        ]
    )
    page = walk.page(walk.client.get(walk.address))
    assert "still moving" in page
    assert "buffer 7.00</button>" not in page
    assert "still moving" in walk.take(page, "steady")
    page = walk.link(walk.take(page, "anyway"), "It is in the buffer 4.01")
    walk.shows(6.4)
    page = walk.take(walk.page(walk.client.get(walk.address)))
    assert "Not taken" in page
    assert "repeat both" in page
    assert "Save this calibration" not in page


@pytest.mark.parametrize(
    ("form", "field"),
    [
        ({"sensor": "main", "celsius": "80"}, "celsius"),
        ({"sensor": "main", "celsius": "warm"}, "celsius"),
        ({"sensor": "main", "pair": "x"}, "pair"),
        ({"sensor": ""}, "sensor"),
    ],
)
def test_wrong_beginnings_are_named_beside_the_field(walk, form, field):
    answer = walk.send("/tanks/riffle/calibrate/begin", **form)
    assert answer.status_code == 422
    assert f'id="fault-{field}"' in answer.text
    assert walk.context.registry.log("riffle") == []


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ({"step": "nowhere"}, "&#39;nowhere&#39;; allowed: start,"),
        ({"step": "first", "sensor": "main", "since": "noon"}, "&#39;noon&#39;; allowed: seconds"),
    ],
)
def test_a_wrong_address_says_what_is_wrong(walk, address, words):
    answer = walk.client.get("/tanks/riffle/calibrate", query_string=address)
    assert answer.status_code == 422
    assert words in answer.text
