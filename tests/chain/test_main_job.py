"""The whole chain with nothing of ours in the middle of it replaced.

``mosquitto_pub`` from Debian publishes to a real mosquitto, ``littoral up`` runs as its own
processes, and plain HTTP asks the API.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import requests

from tests.servers import free_port

ROOT = Path(__file__).parents[2]
PATIENCE_S = 180.0

TANK = {
    "name": "Riffle (invented)",
    "dimensions": {
        "length": {"value": 3, "unit": "ft"},
        "width": {"value": 45, "unit": "cm"},
        "height": {"value": 45, "unit": "cm"},
    },
    "kh": {"value": 4, "unit": "dKH"},
    "kh_kit": {"method": "titration", "step": {"value": 1, "unit": "dKH"}},
    "animals": [{"species": "Paracheirodon innesi", "count": 20}],
}


def eventually(question, why):
    """The first true answer of ``question`` within the patience."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        answer = question()
        if answer:
            return answer
        time.sleep(0.1)
    raise AssertionError(f"did not happen within {PATIENCE_S:g} s: {why}")


class Running:
    """``littoral up`` and the broker it listens to."""

    def __init__(self, process, base, broker):
        self.process, self.base, self.broker = process, base, broker

    def publish(self, topic, payload, *options):
        subprocess.run(
            self.client("mosquitto_pub", "-q", "1", "-t", topic, "-m", payload, *options),
            check=True,
            timeout=PATIENCE_S,
        )

    def client(self, program, *arguments):
        return [program, "-h", "127.0.0.1", "-p", str(self.broker.port), *arguments]

    def get(self, path, **query):
        return requests.get(self.base + path, params=query, timeout=PATIENCE_S)


@pytest.fixture(scope="module")
def running(tmp_path_factory, mosquitto):
    folder = tmp_path_factory.mktemp("up")
    port = free_port()
    prefix = "chain"  # the session's broker is shared with other tests
    settings = folder / "littoral.toml"
    settings.write_text(
        f'[store]\nurl = "sqlite:///{folder}/readings.db"\n'
        f'[registry]\nurl = "sqlite:///{folder}/registry.db"\n'
        f'[mqtt]\nurl = "mqtt://127.0.0.1:{mosquitto.port}"\nclient_id = "chain"\n'
        f'prefix = "{prefix}"\n'
        f'[ingest]\nbatch_age_s = 0.1\nspool_path = "{folder}/spool.db"\n'
        f"[http]\nport = {port}\n[advice]\nevery_s = 0.5\n"
        '[[route]]\ntopic = "chain-shed/{tank}/probe"\nquantity = "temperature"\n'
        'format = "json"\npath = "data.warmth"\nunit = "degF"\nsensor = "shed"\n'
    )
    log = (folder / "up.log").open("wb")
    process = subprocess.Popen(
        [sys.executable, "-m", "service", "up", "--config", str(settings)],
        cwd=ROOT,
        stdout=log,
        stderr=log,
    )
    one = Running(process, f"http://127.0.0.1:{port}", mosquitto)
    try:
        eventually(lambda: ready(one), (folder / "up.log").read_text())
        requests.put(
            f"{one.base}/v1/tanks/riffle", json=TANK, timeout=PATIENCE_S
        ).raise_for_status()
        eventually(lambda: taken(one), "the first reading")
        yield one
    finally:
        process.send_signal(signal.SIGTERM)
        code = process.wait(PATIENCE_S)
        log.close()
    assert code == 0, (folder / "up.log").read_text()


def taken(one):
    """Whether a reading arrives: then the ingester has subscribed and knows the tank."""
    one.publish("chain/riffle/illuminance", "100")
    return one.get("/v1/tanks/riffle/readings", quantity="illuminance").json()["readings"]


def ready(one):
    assert one.process.poll() is None, "littoral up has ended"
    try:
        answer = one.get("/readyz")
    except requests.ConnectionError:
        return False
    return answer.ok and any(part["connected"] for part in answer.json()["ingest"])


@pytest.mark.slow
def test_published_readings_become_the_right_co2(running):
    """PHREEQC, phreeqc.dat, KHCO3 water: 25 °C, 4 dKH, pH 6.8 -> 21.4413 mg/L CO2(aq)."""

    def known():
        running.publish("chain/riffle/temperature", "25.0")
        running.publish("chain/riffle/ph", '{"value": 6.8}')
        answer = running.get("/v1/tanks/riffle/co2").json()
        return answer if answer["state"] != "unknown" else None

    answer = eventually(known, "a CO2 estimate")
    assert answer["tank"] == "riffle"
    assert answer["co2"]["value"] == pytest.approx(21.4413, rel=0.0005)
    assert answer["co2"]["low"] < 21.4413 < answer["co2"]["high"]
    assert answer["co2"]["unit"] == "mg/L"
    assert answer["state"] == "within"
    assert answer["inputs"]["ph"]["value"] == 6.8


def test_a_foreign_topic_comes_in_by_its_route(running):
    running.publish("chain-shed/riffle/probe", '{"data": {"warmth": 72.5}, "battery": 3.1}')

    def seen():
        found = running.get("/v1/tanks/riffle/readings", quantity="temperature", sensor="shed")
        return found.json()["readings"]

    (reading,) = eventually(seen, "a reading by the route")
    assert reading["value"] == pytest.approx(22.5)


def test_three_feet_of_tank_hold_about_180_litres(running):
    """Common practice, no source: 90 x 45 x 45 cm, 3 x 1.5 x 1.5 ft, is around 180 L."""
    volume = running.get("/v1/tanks/riffle").json()["volume"]
    assert volume["net"]["value"] == pytest.approx(180, rel=0.04)


@pytest.mark.parametrize(
    ("topic", "payload", "detail"),
    [
        ("chain/riffle/ph", "sour", "sour"),
        ("chain/riffle/ph", "NaN", "NaN"),
        ("chain/riffle/salinity", "35", "salinity"),
        ("chain/nowhere/ph", "7.0", "nowhere"),
        ("chain/riffle/temperature", '{"value": 24, "unit": "furlong"}', "furlong"),
    ],
)
def test_what_cannot_be_kept_is_told_and_the_process_goes_on(running, topic, payload, detail):
    running.publish(topic, payload)

    def told():
        rejections = running.get("/v1/rejections", limit="100").json()["rejections"]
        return [one for one in rejections if one["topic"] == topic and detail in json.dumps(one)]

    assert eventually(told, f"a rejection of {topic} {payload}")
    assert running.process.poll() is None


def test_an_absurd_value_is_kept_with_a_flag_and_not_believed(running):
    running.publish("chain/riffle/temperature", "4711")

    def flagged():
        found = running.get(
            "/v1/tanks/riffle/readings", quantity="temperature", sensor="main", flagged="true"
        )
        return [one for one in found.json()["readings"] if one["value"] == 4711]

    (reading,) = eventually(flagged, "the flagged reading")
    assert "implausible" in reading["flags"]
    believed = running.get("/v1/tanks/riffle/temperature").json()["temperature"]
    assert believed is None or believed["value"] < 50


def test_advice_is_retained_at_the_broker(running):
    """Without a log the routine water change is due or unknown: something is always said."""
    heard = subprocess.run(
        running.client("mosquitto_sub", "-C", "1", "-W", "60", "-t", "chain/riffle/advice/summary"),
        check=True,
        capture_output=True,
        text=True,
        timeout=2 * PATIENCE_S,
    )
    assert json.loads(heard.stdout)["tank"] == "riffle"
