"""The servers that other tests stand on do start, answer, and keep or lose what they should."""

from __future__ import annotations

import subprocess

import pytest
import requests

from tests.servers import HOST, program


def _publish(port: int, topic: str, payload: str) -> None:
    command = [program("mosquitto_pub"), "-h", HOST, "-p", str(port), "-q", "1", "-r"]
    subprocess.run([*command, "-t", topic, "-m", payload], check=True, timeout=60)


def _retained(port: int, topic: str) -> str:
    command = [program("mosquitto_sub"), "-h", HOST, "-p", str(port), "-W", "2", "-C", "1"]
    done = subprocess.run([*command, "-t", topic], capture_output=True, text=True, timeout=60)
    return done.stdout.strip()


@pytest.mark.needs("mosquitto", "mosquitto_pub", "mosquitto_sub")
def test_mosquitto_session_server_answers(mosquitto):
    _publish(mosquitto.port, "servers/one", "24.5")
    assert _retained(mosquitto.port, "servers/one") == "24.5"


def test_own_mosquitto_restarts_on_its_port(start_mosquitto, tmp_path):
    broker = start_mosquitto(tmp_path)
    port = broker.port
    _publish(port, "servers/two", "24.5")
    broker.restart()
    assert broker.port == port
    assert _retained(port, "servers/two") == ""


def test_own_mosquitto_keeps_messages_when_told(start_mosquitto, tmp_path):
    broker = start_mosquitto(tmp_path, f"persistence true\npersistence_location {tmp_path}/\n")
    _publish(broker.port, "servers/three", "24.5")
    broker.restart()
    assert _retained(broker.port, "servers/three") == "24.5"


@pytest.mark.needs("influxd")
def test_influxdb_answers(influxdb):
    answer = requests.get(f"{influxdb.url}/query", params={"q": "SHOW DATABASES"}, timeout=60)
    assert answer.status_code == 200
    assert answer.headers["X-Influxdb-Version"].startswith("1.")


@pytest.mark.needs("victoria-metrics")
def test_victoriametrics_answers(victoriametrics):
    answer = requests.get(f"{victoriametrics.url}/api/v1/labels", timeout=60)
    assert answer.json()["status"] == "success"


@pytest.mark.needs("initdb", "postgres")
def test_postgresql_answers(postgresql):
    import sqlalchemy

    engine = sqlalchemy.create_engine(postgresql.url)
    with engine.connect() as connection:
        assert connection.execute(sqlalchemy.text("SELECT current_database()")).scalar() == (
            "littoral"
        )
    engine.dispose()
