"""The board's program of demo/sensor, under MicroPython itself, against a real broker.

MicroPython is the npm package of its WebAssembly port (Debian 12 has no package of it), run by
node; pins are simulated, the socket is a real one. Not covered: the board's own drivers and radio.
"""

from __future__ import annotations

import itertools
import json
import shutil
import subprocess
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.registry.models.log import LogKind
from service.store import Flag
from tests.servers import HOST, program, wait_until

HERE = Path(__file__).parent / "sensor"
PROGRAM = Path(__file__).parents[2] / "demo" / "sensor"
PACKAGE = "@micropython/micropython-webassembly-pyscript"


@pytest.fixture(scope="session")
def micropython(tmp_path_factory):
    """The folder of the package, as npm installs it by the lock file."""
    folder = tmp_path_factory.mktemp("micropython")
    for name in ("package.json", "package-lock.json"):
        shutil.copy(HERE / name, folder)
    npm = [program("npm"), "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--silent"]
    done = subprocess.run(npm, cwd=folder, capture_output=True, text=True, timeout=280, check=False)
    assert done.returncode == 0, f"npm ci failed: {done.stderr}"
    return folder / "node_modules" / PACKAGE


class Board:
    """The program in a process of its own, told what to do line by line."""

    def __init__(self, package: Path) -> None:
        words = [program("node"), HERE / "run.mjs", package, PROGRAM, HERE / "board"]
        self._process = subprocess.Popen(
            [str(word) for word in words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.said: list[str] = []

    def do(self, *command: object) -> int:
        """Do one step; returns how many readings wait."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(command) + "\n")
        self._process.stdin.flush()
        for line in self._process.stdout:
            if line.startswith("="):
                return int(json.loads(line[1:])["waiting"])
            self.said.append(line.rstrip())
        raise AssertionError(f"the board's program ended: {self.said}")

    def close(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(60)


@pytest.fixture
def make_board(micropython):
    boards = []

    def make(broker, **settings):
        boards.append(Board(micropython))
        chosen = {"BROKER": HOST, "PORT": broker.port, "AUTHORITY": None, "USER": ""}
        chosen |= {"PERIOD_S": 3600, **settings}
        boards[-1].do("pins", {"celsius": 24.5, "34": [25_664], "35": [812_000]})
        boards[-1].do("settings", chosen)
        return boards[-1]

    yield make
    for made in boards:
        made.close()


@pytest.fixture
def bench(tmp_path, start_mosquitto, make_bench):
    broker = start_mosquitto(tmp_path, f"persistence true\npersistence_location {tmp_path}/\n")
    made = make_bench(broker)
    made.broker = broker
    for data in (
        {
            "sensor": "board-1",
            "points": [
                {"ph": 7.0, "millivolts": 2.0, "temperature_c": 25},
                {"ph": 4.0, "millivolts": 2.0 + 3 * 59.16, "temperature_c": 25},
            ],
        },
        {"quantity": "illuminance", "sensor": "board-1", "unit": "mV", "factor": 10.0},
    ):
        made.registry.add_log("reed", LogKind.CALIBRATION, datetime(2026, 1, 1, tzinfo=UTC), data)
    made.start()
    return made


@pytest.mark.needs("node", "npm")
def test_readings_arrive_stamped_and_are_calibrated_by_the_service(bench, make_board):
    board = make_board(bench.broker)
    before_s = int(time.time())
    assert board.do("turn") == 0, board.said
    temperature = bench.wait_for("reed", "temperature", "board-1")
    ph = bench.wait_for("reed", "ph", "board-1")
    light = bench.wait_for("reed", "illuminance", "board-1")
    assert temperature.value == 24.5
    assert ph.value == pytest.approx(6.6, abs=0.01)
    assert ph.raw == pytest.approx(25.664)
    assert light.value == pytest.approx(8120.0)
    for reading in (temperature, ph, light):
        assert not reading.flags & ~Flag.UNCALIBRATED
        assert before_s <= reading.time_us / 1e6 <= time.time()


def test_network_and_broker_away_readings_wait_and_keep_their_times(bench, make_board):
    board = make_board(bench.broker)
    board.do("turn")
    # The board stamps in whole seconds, from two clocks that it both rounds.
    board.do("later", 2)
    board.do("network", False)
    assert board.do("turn") == 3
    board.do("later", 2)
    board.do("network", True)
    bench.broker.stop()
    assert board.do("turn") == 6
    assert "waiting with 6 readings" in "\n".join(board.said)
    board.do("later", 2)
    bench.broker.start()
    assert board.do("rest") == 0, board.said
    bench.wait_for("reed", "ph", "board-1", count=3)
    times = [time_us for time_us, _, _ in bench.readings("reed", "ph", "board-1")]
    assert len(times) == 3
    assert all(b - a >= 1_000_000 for a, b in itertools.pairwise(times))


def test_without_a_clock_times_are_relative(bench, make_board):
    board = make_board(bench.broker)
    board.do("unset_clock")
    board.do("network", False)
    board.do("turn")
    board.do("later", 600)
    board.do("network", True)
    before_s = time.time()
    assert board.do("rest") == 0, board.said
    reading = bench.wait_for("reed", "ph", "board-1")
    ago_s = before_s - reading.time_us / 1e6
    assert 590 < ago_s < 600 + 1


def test_disturbances_and_loose_wires(bench, make_board):
    board = make_board(bench.broker)
    board.do("pins", {"34": [25_664, 25_664, 25_664, 25_664, 900_000], "broken": True})
    assert board.do("turn") == 0, board.said
    assert bench.wait_for("reed", "ph", "board-1").raw == pytest.approx(25.664)
    board.do("pins", {"broken": False, "celsius": 85.0})
    board.do("turn")
    board.do("pins", {"celsius": 24.0})
    board.do("turn")
    assert bench.wait_for("reed", "temperature", "board-1").value == 24.0
    assert len(bench.readings("reed", "temperature", "board-1")) == 1


def test_queue_is_bounded_and_longer_than_one_message(bench, make_board):
    board = make_board(bench.broker, QUEUE=30, THERMOMETER_PIN=None)
    board.do("network", False)
    for _ in range(16):
        waiting = board.do("turn")
    assert waiting == 30
    board.do("network", True)
    assert board.do("rest") == 0, board.said


def test_user_and_password_of_the_board(tmp_path, start_mosquitto, make_board):
    passwords = tmp_path / "passwords"
    make = [program("mosquitto_passwd"), "-c", "-b", str(passwords), "board", "pass"]
    subprocess.run(make, check=True, capture_output=True)
    passwords.chmod(0o644)
    tmp_path.chmod(0o755)
    broker = start_mosquitto(tmp_path, f"allow_anonymous false\npassword_file {passwords}\n")
    assert make_board(broker, USER="board", PASSWORD="pass").do("turn") == 0
    wrong = make_board(broker, USER="board", PASSWORD="no")
    assert wrong.do("turn") == 3
    wait_until(lambda: "refused" in "\n".join(wrong.said))
