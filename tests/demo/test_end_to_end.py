"""The whole demo as a user starts it: real broker, real ingester, real API, as processes."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
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


@contextmanager
def running(folder: Path, *chosen: str) -> Iterator[tuple[subprocess.Popen[str], Path]]:
    """A demo that has printed its greeting, and the file that it prints to."""
    log = folder / "out"
    with log.open("w") as out:
        process = subprocess.Popen(
            demo("--days", "1", "--speed", "600", "--data", str(folder / "data"), *chosen),
            cwd=ROOT,
            stdout=out,
            stderr=out,
            start_new_session=True,
            text=True,
        )

    def greeted() -> bool:
        assert process.poll() is None, log.read_text()
        return "Ctrl-C stops" in log.read_text()

    try:
        wait_until(greeted, 120, log.read_text)
        yield process, log
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)


def left_nothing(folder: Path, *ports: int) -> None:
    """Nothing runs any more, and nothing complained."""
    wait_until(lambda: all(port_is_free(HOST, port) for port in ports))
    for log in ("out", "data/ingest.log", "data/serve.log"):
        assert "Traceback" not in (folder / log).read_text()


@pytest.mark.slow
def test_it_runs_until_ctrl_c(tmp_path: Path) -> None:
    """SIGTERM: see below."""
    http, mqtt, chosen = ports()
    with running(tmp_path, *chosen) as (process, log):
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
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 0, log.read_text()
    left_nothing(tmp_path, http, mqtt)


@pytest.mark.slow
def test_killed_it_leaves_nothing_that_runs(tmp_path: Path) -> None:
    http, mqtt, chosen = ports()
    with running(tmp_path, *chosen) as (process, log):
        process.kill()
        assert process.wait(60) == -signal.SIGKILL, log.read_text()
    left_nothing(tmp_path, http, mqtt)


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
