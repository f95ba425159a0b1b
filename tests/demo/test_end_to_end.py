"""The whole demo as a user starts it: real broker, real ingester, real API, as processes."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest
import requests

from demo.children import port_is_free
from demo.options import HTTP_PORT, MQTT_PORT
from tests.servers import HOST, free_port, wait_until

ROOT = Path(__file__).parents[2]


def demo(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "service", "demo", *arguments]


def ports() -> tuple[int, int, list[str]]:
    http, mqtt = free_port(), free_port()
    return http, mqtt, ["--http-port", str(http), "--mqtt-port", str(mqtt)]


@pytest.mark.slow
def test_the_check_finds_every_answer_right_twice_at_once(tmp_path: Path) -> None:
    """With either broker, both at one time: no port is given, so each takes what is free."""
    running = {
        broker: subprocess.Popen(
            demo("--check", "--broker", broker, "--days", "6", "--data", str(tmp_path / broker)),
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for broker in ("mosquitto", "iotcore")
    }
    printed = {broker: one.communicate(timeout=240) for broker, one in running.items()}
    taken = []
    for broker, (answers, complaints) in printed.items():
        assert running[broker].returncode == 0, (broker, answers + complaints)
        assert "All 9 questions were answered rightly." in answers
        assert "FAILED" not in answers
        assert re.search(r"Quillwater: \d\d\.\d mg/L \(95 %: .*within 20 to 30; true: ", answers)
        assert complaints == ""
        settings = tomllib.loads((tmp_path / broker / "littoral.toml").read_text())
        taken += [settings["http"]["port"], int(settings["mqtt"]["url"].rpartition(":")[2])]
    assert len(set(taken)) == 4
    assert not {HTTP_PORT, MQTT_PORT} & set(taken)
    assert all(port_is_free(HOST, port) for port in taken)


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGKILL])
def test_it_runs_until_it_is_stopped(tmp_path: Path, number: signal.Signals) -> None:
    """Asked to end by Ctrl-C (SIGTERM: see below), or killed, it leaves nothing that runs."""
    http, mqtt, chosen = ports()
    log = tmp_path / "out"
    with log.open("w") as out:
        running = subprocess.Popen(
            demo("--days", "1", "--speed", "600", "--data", str(tmp_path / "data"), *chosen),
            cwd=ROOT,
            stdout=out,
            stderr=out,
            start_new_session=True,
        )
    try:
        end = time.monotonic() + 120
        while "Ctrl-C stops" not in log.read_text():
            assert running.poll() is None, log.read_text()
            assert time.monotonic() < end, log.read_text()
            time.sleep(0.2)
        said = log.read_text()
        for line in re.findall(r"^  curl -s (.*)$", said, re.MULTILINE):
            answer = requests.get(line.strip("'"), timeout=60)
            assert answer.status_code == 200, (line, answer.text)
        assert len(re.findall(r"^  curl ", said, re.MULTILINE)) == 3
        again = subprocess.run(
            demo(*chosen), cwd=ROOT, capture_output=True, text=True, timeout=60, check=False
        )
        assert again.returncode == 2
        assert again.stderr == (
            f"littoral demo: port {http} is taken; choose another with --http-port\n"
        )
        running.send_signal(number)
        expected = -number if number == signal.SIGKILL else 0
        assert running.wait(60) == expected, log.read_text()
    finally:
        if running.poll() is None:
            os.killpg(running.pid, signal.SIGKILL)
    wait_until(lambda: port_is_free(HOST, http) and port_is_free(HOST, mqtt))
    assert "Traceback" not in log.read_text()
    for part in ("ingest", "serve"):
        assert "Traceback" not in (tmp_path / "data" / f"{part}.log").read_text()


def test_the_children_of_a_stopped_preparation_never_start(tmp_path: Path) -> None:
    """SIGTERM while the past is laid in."""
    *_, chosen = ports()
    running = subprocess.Popen(
        demo("--days", "60", "--data", str(tmp_path / "data"), *chosen),
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    end = time.monotonic() + 60
    while not (tmp_path / "data" / "readings.db").exists():
        assert time.monotonic() < end
        time.sleep(0.1)
    running.terminate()
    _, complaints = running.communicate(timeout=60)
    assert (running.returncode, complaints) == (0, b"")
    assert not (tmp_path / "data" / "broker.log").exists()
