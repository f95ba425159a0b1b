"""``littoral ingest --dry-run`` and ``littoral recalibrate`` as a person types them."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime

import pytest
from paho.mqtt import publish

from service.cli import run
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.store import Reading, SeriesKey, open_store
from service.times import to_us
from tests.cli.conftest import refused
from tests.cli.test_serving import running, until
from tests.registries import sqlite_registry

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)


@pytest.fixture
def config(tmp_path, mosquitto):
    file = tmp_path / "littoral.toml"
    file.write_text(
        f'[store]\nurl = "sqlite:///{tmp_path}/readings.db"\n'
        f'[registry]\nurl = "sqlite:///{tmp_path}/registry.db"\n[mqtt]\nurl = "{mosquitto.url}"\n'
    )
    registry = sqlite_registry(tmp_path / "registry.db")
    registry.put_tank(Tank("reed", "Reed"))
    registry.add_log("reed", LogKind.CALIBRATION, NOON, {"quantity": "temperature", "offset": -0.5})
    registry.close()
    open_store(f"sqlite:///{tmp_path}/readings.db").close()
    return str(file)


def test_dry_run_says_when_nothing_came(littoral, config):
    outcome = littoral("ingest", "--config", config, "--dry-run", "--seconds", "0.2")
    assert (outcome.code, outcome.out) == (0, "no message on littoral/# in 0.2 s\n")


def test_dry_run_refuses_an_unreachable_broker(littoral, config, monkeypatch):
    monkeypatch.setenv("LITTORAL_MQTT__URL", "mqtt://127.0.0.1:1")
    refused(littoral("ingest", "--config", config, "--dry-run"), "mqtt.url", "cannot be reached")


def test_it_stores_readings_without_docstrings_too(tmp_path, mosquitto, config):
    """As ``PYTHONOPTIMIZE=2`` starts it, to take less memory: assertions are left out with them."""
    publish.single("littoral/reed/temperature", "24.5", qos=1, retain=True, port=mosquitto.port)
    environ = {**os.environ, "PYTHONOPTIMIZE": "2"}
    store = open_store(f"sqlite:///{tmp_path}/readings.db")
    key = SeriesKey("reed", "temperature", "main")
    with running("ingest", "--config", config, env=environ) as child:
        stored = until(lambda: store.latest(key, flagged=True), child)
    assert (stored.value, child.returncode) == (24.5, 0)
    store.close()


def test_recalibrate_applies_the_log(tmp_path, config, capsys):
    store = open_store(f"sqlite:///{tmp_path}/readings.db")
    store.write([Reading("reed", "temperature", "main", to_us(NOON) + n, 24.5) for n in range(3)])
    words = ["recalibrate", "reed", "--config", config, "--quantity", "temperature"]
    assert run([*words, "--start", "2031-05-04", "--end", "2031-05-05"]) == 0
    assert capsys.readouterr().out == "reed temperature main: 3 readings, 3 changed\n"
    assert run([*words, "--start", "2031-05-04", "--end", "2031-05-05", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told == {
        "tank": "reed", "quantity": "temperature", "sensor": "main", "readings": 3, "changed": 0,
    }  # fmt: skip
    key = SeriesKey("reed", "temperature", "main")
    assert set(store.read(key, 0, 1 << 62).value.tolist()) == {24.0}
    store.close()


def test_recalibrate_refuses_a_tank_that_is_not_there(littoral, config):
    refused(littoral("recalibrate", "pond", "--config", config), "'pond'")
