"""The demo's own machinery: ports, folder, configuration, children, command line."""

from __future__ import annotations

import os
import socket
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from demo.children import Child, ChildError, Children, port_is_free
from demo.command import command
from demo.folder import data_folder
from demo.options import HTTP_PORT, MQTT_PORT, DemoOptions
from demo.run import run_demo
from demo.settings import write_settings
from demo.tanks import emberpane, scenario
from service.clock import FastClock
from service.config import load_config, make_clock
from service.errors import InvalidInputError
from tests.servers import HOST, free_port

ORIGIN = datetime(2031, 3, 5, 11, 30, tzinfo=UTC)


@pytest.fixture
def taken() -> Iterator[int]:
    with socket.create_server((HOST, 0)) as server:
        yield int(server.getsockname()[1])


def test_a_taken_port_is_named_with_its_option(
    taken: int, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_demo(DemoOptions(http_port=taken, mqtt_port=free_port())) == 2
    message = f"littoral demo: port {taken} is taken; choose another with --http-port\n"
    assert capsys.readouterr().err == message
    assert run_demo(DemoOptions(http_port=free_port(), mqtt_port=taken)) == 2
    assert capsys.readouterr().err == message.replace("http", "mqtt")


def test_one_port_for_two_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    port = free_port()
    assert run_demo(DemoOptions(http_port=port, mqtt_port=port)) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_a_free_port_is_free(taken: int) -> None:
    assert port_is_free(HOST, free_port())
    assert not port_is_free(HOST, taken)


def test_a_folder_that_is_not_a_demos_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "thesis.txt").write_text("years of work")
    options = DemoOptions(http_port=free_port(), mqtt_port=free_port(), data=tmp_path)
    assert run_demo(options) == 2
    assert "allowed: an empty folder" in capsys.readouterr().err
    assert [item.name for item in tmp_path.iterdir()] == ["thesis.txt"]


def test_a_file_is_no_folder(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.touch()
    with (
        pytest.raises(InvalidInputError, match="allowed: a folder"),
        data_folder(DemoOptions(data=path)),
    ):
        pass


def test_a_chosen_folder_is_emptied_and_kept(tmp_path: Path) -> None:
    for _ in range(2):
        with data_folder(DemoOptions(data=tmp_path / "new" / "one")) as folder:
            assert {item.name for item in folder.iterdir()} == {".littoral-demo"}
            (folder / "readings.db").touch()
    assert (folder / "readings.db").exists()


@pytest.mark.parametrize("keep", [True, False])
def test_a_temporary_folder_is_kept_only_if_asked(
    keep: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with data_folder(DemoOptions(keep=keep)) as folder:
        (folder / "sub").mkdir()
    assert folder.parent == tmp_path
    assert folder.exists() is keep
    if keep:
        with data_folder(DemoOptions(data=folder)):
            pass


def test_the_configuration_says_what_the_demo_means(tmp_path: Path) -> None:
    path = tmp_path / "littoral.toml"
    invented = scenario(ORIGIN)
    write_settings(path, invented, http_port=8601, mqtt_port=18831, speed=90, started=ORIGIN)
    config = load_config(path, {})
    assert (config.http.host, config.http.port) == ("127.0.0.1", 8601)
    assert config.mqtt.url == "mqtt://127.0.0.1:18831"
    assert config.store.url == f"sqlite:///{tmp_path}/readings.db"
    assert make_clock(config) == FastClock(ORIGIN, ORIGIN, 90.0)
    assert config.routes == invented.routes
    assert {route.tank for route in config.routes} == {emberpane.ID}


def test_children_stop_in_reverse_and_a_dead_one_is_told(tmp_path: Path) -> None:
    children = Children()
    sleeper = [sys.executable, "-c", "import time; time.sleep(60)"]
    first = children.start(Child("first", sleeper, tmp_path))
    talker = [sys.executable, "-c", "print('no such thing', flush=True); raise SystemExit(3)"]
    second = children.start(Child("second", talker, tmp_path))
    with pytest.raises(ChildError, match=r"(?s)second ended with exit code 3.*no such thing"):
        second.wait_for_port(HOST, free_port(), 20)
    with pytest.raises(ChildError, match="second"):
        children.check()
    pid = first.pid
    assert pid is not None
    assert children.stop() == []
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_children_do_not_see_variables_meant_for_another_service(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LITTORAL_STORE__URL", "influx://elsewhere/x")
    shows = [sys.executable, "-c", "import os; print(os.environ.get('LITTORAL_STORE__URL'))"]
    child = Child("shows", shows, tmp_path)
    child.start()
    with pytest.raises(ChildError, match=r"exit code 0(?s:.*)None"):
        child.wait_for_port(HOST, free_port(), 20)


def test_a_child_that_does_not_listen_is_told(tmp_path: Path) -> None:
    child = Child("deaf", [sys.executable, "-c", "import time; time.sleep(3600)"], tmp_path)
    child.start()
    with pytest.raises(ChildError, match="did not listen on port"):
        child.wait_for_port(HOST, free_port(), 0.3)
    assert child.stop()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--speed", "0"], "--speed"),
        (["--http-port", "70000"], "--http-port"),
        (["--days", "0"], "--days"),
        (["--clock", "25:00"], "--clock"),
        (["--broker", "carrier-pigeon"], "--broker"),
        (["--check", "--speed", "60"], "--speed cannot go with --check"),
        (["--clock", "11:30", "--check"], "--clock cannot go with --check"),
    ],
)
def test_wrong_options_are_refused_by_name(arguments: list[str], said: str) -> None:
    result = CliRunner().invoke(command, arguments)
    assert result.exit_code == 2
    assert said in result.output


@pytest.mark.parametrize(
    ("arguments", "http", "mqtt"),
    [
        ([], HTTP_PORT, MQTT_PORT),
        (["--http-port", "9001"], 9001, MQTT_PORT),
        (["--check", "--http-port", "9001", "--mqtt-port", "9002"], 9001, 9002),
    ],
)
def test_ports_as_asked_for(
    arguments: list[str], http: int, mqtt: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With --check alone, those that nobody uses are taken: see test_end_to_end.py."""
    given: list[DemoOptions] = []
    monkeypatch.setattr("demo.run.run_demo", lambda options: given.append(options) or 0)
    assert CliRunner().invoke(command, arguments).exit_code == 0
    assert [(one.http_port, one.mqtt_port) for one in given] == [(http, mqtt)]
