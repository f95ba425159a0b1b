"""``littoral serve``, ``ingest``, ``up`` and ``status`` as processes, over real HTTP and MQTT."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import closing, contextmanager
from pathlib import Path

import paho.mqtt.publish
import pytest
import requests

from service.app.side_by_side import Part, SideBySide
from service.cli import run
from service.cli.processes import up
from service.registry.models.tank import Tank
from service.registry.registry import open_registry
from service.store import Reading, SeriesKey, open_store
from tests.api.scenes import TANK
from tests.cli.conftest import ROOT, process, refused
from tests.servers import free_port

PATIENCE_S = 180.0


@pytest.fixture
def settings(tmp_path):
    """A configuration in a folder of its own; ``(file, address)``."""
    port = free_port()

    def write(mqtt_port=1, publish=False, **http):
        file = tmp_path / "littoral.toml"
        more = "".join(f"{name} = {json.dumps(value)}\n" for name, value in http.items())
        file.write_text(
            f"""
[store]
url = "sqlite:///{tmp_path}/readings.db"
[registry]
url = "sqlite:///{tmp_path}/registry.db"
[mqtt]
url = "mqtt://127.0.0.1:{mqtt_port}"
[ingest]
batch_age_s = 0.05
spool_path = "{tmp_path}/spool.db"
[advice]
every_s = 1
publish = {json.dumps(publish)}
[http]
port = {port}
{more}""",
            encoding="utf-8",
        )
        return file, f"http://127.0.0.1:{port}"

    return write


@contextmanager
def running(*arguments, **options):
    """A ``littoral`` process that is stopped by SIGTERM at the end."""
    child = subprocess.Popen(
        [sys.executable, "-m", "service", *map(str, arguments)],
        **({"cwd": ROOT, "stderr": subprocess.PIPE, "text": True} | options),
    )
    try:
        yield child
    finally:
        if child.poll() is None:
            child.send_signal(signal.SIGTERM)
        try:
            child.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
            raise


def until(check, child=None):
    """Ask until the answer is not None."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if child is not None and child.poll() is not None:
            pytest.fail(f"ended with {child.returncode}: {child.stderr.read()}")
        found = check()
        if found is not None:
            return found
        time.sleep(0.1)
    pytest.fail("nothing came in time")


def ready(url):
    try:
        return requests.get(f"{url}/readyz", timeout=60) or None
    except requests.ConnectionError:
        return None


def test_a_check_that_is_killed_at_the_start_is_said(monkeypatch, capfd):
    killed = (sys.executable, "-c", "import os; os.kill(os.getpid(), 9)")
    monkeypatch.setattr(up, "_LITTORAL", killed)
    assert run(["up"]) == 1
    said = "littoral up: check ended by SIGKILL, as where memory runs out; all is stopped\n"
    assert capfd.readouterr().err == said


@pytest.mark.parametrize(
    ("command", "publish", "integration"),
    [
        ("ingest", False, ""),
        ("serve", True, ""),
        ("serve", False, "homie"),
        ("up", True, ""),
        ("up", False, ""),  # refused for the ingester's sake before anything is started
    ],
)
def test_a_wrong_certificate_file_is_one_line(
    littoral, settings, tmp_path, command, publish, integration
):
    file, _ = settings(publish=publish)
    text = file.read_text(encoding="utf-8").replace(
        'url = "mqtt://127.0.0.1:1"',
        f'url = "mqtts://127.0.0.1:1"\nca_file = "{tmp_path}/missing.pem"',
    )
    if integration:
        text += f'[[integration]]\nkind = "{integration}"\nname = "rooms"\n'
    file.write_text(text, encoding="utf-8")
    run = process if command == "up" else littoral
    refused(run(command, "--config", file), "mqtt.ca_file", "missing.pem", "PEM")


def test_serve_over_real_http(settings):
    file, url = settings()
    with running("serve", "--config", file) as child:
        until(lambda: ready(url), child)
        answer = requests.post(
            f"{url}/v1/calculate/co2",
            json={
                "ph": 6.8,
                "kh": {"value": 4, "unit": "dKH"},
                "temperature": {"value": 25, "unit": "Cel"},
            },
            timeout=60,
        )
        # PHREEQC (phreeqc.dat), KHCO3 water: 21.4413 mg/L
        assert answer.json()["co2"]["value"] == pytest.approx(21.4413, rel=5e-4)
        wrong = requests.delete(f"{url}/v1/calculate/co2", timeout=60)
        assert (wrong.status_code, wrong.headers["Content-Type"]) == (
            405,
            "application/problem+json",
        )
        large = requests.post(
            f"{url}/v1/calculate/co2",
            data=b" " * (9 * 1024 * 1024),
            headers={"Content-Type": "application/json"},
            timeout=60,
        )
        assert large.json()["type"] == "/problems/too-large"
        assert requests.get(f"{url}/docs", timeout=60).ok
        second = process("serve", "--config", file)
        refused(second, "http.port is", "LITTORAL_HTTP__PORT")
        child.send_signal(signal.SIGTERM)
        assert child.wait(PATIENCE_S) == 0
        told = child.stderr.read()
        assert f"Littoral answers on {url}" in told
        assert "only this machine may use the service" in told


def test_serve_without_a_token_refuses_other_hosts(littoral, settings):
    file, _ = settings(host="0.0.0.0")
    refused(littoral("serve", "--config", file), "http.host", "token create")
    refused(process("up", "--config", file), "http.host", "token create")


@pytest.mark.parametrize("command", ["serve", "ingest", "up", "check"])
def test_a_wrong_configuration_is_one_line(littoral, monkeypatch, command, tmp_path):
    run = process if command == "up" else littoral
    file = tmp_path / "wrong.toml"
    file.write_text("[http]\nprot = 8600\n", encoding="utf-8")
    refused(run(command, "--config", file), str(file), "prot", "port")
    refused(run(command, "--config", tmp_path / "none.toml"), "none.toml")
    file.write_text(
        '[[integration]]\nkind = "hub"\nname = "a"\n[integration.options]\nexpire_after_s = 1\n',
        encoding="utf-8",
    )
    key = "integration.0.options.expire_after_s is 1; allowed: a whole number from 10"
    refused(run(command, "--config", file), str(file), key)
    monkeypatch.setenv("LITTORAL_HTTP__PORT", "many")
    refused(run(command), "LITTORAL_HTTP__PORT", "many")


def test_check_says_whether_the_service_could_start(littoral, settings):
    file, _ = settings()
    found = littoral("check", "--config", file)
    assert (found.code, found.out, found.err) == (0, "in order\n", "")
    file, _ = settings(host="0.0.0.0")
    refused(littoral("check", "--config", file), "http.host", "token create")
    text = file.read_text().replace("mqtt://127.0.0.1:1", "http://127.0.0.1:1")
    file.write_text(text)
    refused(littoral("check", "--config", file), "mqtt.url")


@pytest.mark.slow
def test_up_from_sensor_to_status(settings, mosquitto):
    """The whole chain: a reading over MQTT, CO2 over HTTP, status on the command line."""
    file, url = settings(mosquitto.port, publish=True)
    with running("up", "--config", file) as child:
        until(lambda: ready(url), child)
        put = requests.put(f"{url}/v1/tanks/chain", json=TANK, timeout=60)
        assert put.status_code == 201
        subscribed = lambda: (  # noqa: E731
            any(one["connected"] for one in ready(url).json()["ingest"]) or None
        )
        until(subscribed, child)

        def known():
            for quantity, value in (("ph", "6.8"), ("temperature", "77 °F")):
                topic = f"littoral/chain/{quantity}"
                paho.mqtt.publish.single(topic, value, qos=1, port=mosquitto.port)
            answer = requests.get(f"{url}/v1/tanks/chain/co2", timeout=60).json()
            return answer if answer["co2"] and answer["inputs"]["temperature"] else None

        co2 = until(known, child)
        assert co2["co2"]["value"] == pytest.approx(21.4413, rel=5e-4)
        assert co2["inputs"]["temperature"]["value"] == pytest.approx(25)
        told = process("status", "chain", "--url", url)
        assert told.code in (0, 1), told.err
        assert "CO2 21.4 mg/L" in told.out
        assert "temperature 25.0 °C" in told.out
        child.send_signal(signal.SIGTERM)
        assert child.wait(PATIENCE_S) == 0
    assert ready(url) is None


@pytest.mark.parametrize(
    ("program", "code", "why"),
    [
        ("raise SystemExit(3)", 3, "with exit code 3"),
        ("", 1, "with exit code 0"),
        (
            "import sys; print('a line', file=sys.stderr); sys.exit('port 8600 is taken')",
            1,
            "with exit code 1; it said last: port 8600 is taken",
        ),
        (
            "import os; os.kill(os.getpid(), 9)",
            1,
            "by SIGKILL, as where memory runs out",
        ),
    ],
)
def test_when_a_part_ends_all_do_and_it_is_said_which_and_why(capfd, program, code, why):
    sleeper = Part("sleep", [sys.executable, "-c", "import time; time.sleep(3600)"])
    other = Part("other", [sys.executable, "-c", program])
    with SideBySide() as together:
        together.start(sleeper)
        together.start(other)
        ended = together.wait(threading.Event())
    assert (ended.exit_code, ended.why) == (code, f"other ended {why}")
    passed_on = capfd.readouterr().err.splitlines()
    assert passed_on == (["a line", "port 8600 is taken"] if "8600" in program else [])


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_up_that_is_stopped_while_it_starts_ends_quietly(settings, number):
    """Ctrl-C goes to the whole group of a terminal; the check that comes first has just begun."""
    file, _ = settings()
    with running("up", "--config", file, start_new_session=True) as child:
        begun = Path(f"/proc/{child.pid}/task/{child.pid}/children")
        until(lambda: begun.read_text() or None, child)
        os.killpg(child.pid, number)
        assert child.wait(PATIENCE_S) == 0
        assert child.stderr.read() == ""


def test_up_names_two_ways_to_a_broker_where_none_answers(settings):
    file, _ = settings()
    told = process("check", "--starting", "--config", file)
    assert told.code == 0
    assert told.err.count("\n") == 1
    for said in (
        "no broker answers at 127.0.0.1:1 ",
        "apt-get install mosquitto",
        "--embedded-broker",
    ):
        assert said in told.err


@pytest.mark.slow
def test_up_without_any_file_with_the_embedded_broker(tmp_path):
    """On defaults, in an empty folder; only the two ports are this test's own."""
    port, broker = free_port(), free_port()
    environ = os.environ | {
        "LITTORAL_HTTP__PORT": str(port),
        "LITTORAL_MQTT__URL": f"mqtt://127.0.0.1:{broker}",
        "PYTHONPATH": str(ROOT),
    }
    with running("up", "--embedded-broker", cwd=tmp_path, env=environ) as child:
        url = f"http://127.0.0.1:{port}"
        until(lambda: ready(url), child)
        until(lambda: any(one["connected"] for one in ready(url).json()["ingest"]) or None, child)
        second = process("up", "--embedded-broker", cwd=tmp_path, env=environ)
        refused(second, f"127.0.0.1:{broker}", "answers already")
        (tmp_path / "other").mkdir()
        environ["LITTORAL_MQTT__CLIENT_ID"] = "another"
        third = process("up", cwd=tmp_path / "other", env=environ)
        *_, line = third.err.splitlines()
        said = r"it said last: .*http\.port is .*; all is stopped"
        assert re.fullmatch(f"littoral up: serve ended with exit code 2; {said}", line), third.err
        assert third.code == 2
        child.send_signal(signal.SIGTERM)
        assert child.wait(PATIENCE_S) == 0
    assert sorted(one.name for one in (tmp_path / "var").glob("*.db")) == [
        "littoral.db", "registry.db", "spool.db",
    ]  # fmt: skip
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", broker))


def test_the_embedded_broker_is_for_this_machine_alone(settings):
    file, _ = settings()
    text = file.read_text()
    for url in ("mqtt://192.0.2.1", "mqtts://127.0.0.1:8883"):
        file.write_text(text.replace("mqtt://127.0.0.1:1", url))
        refused(process("up", "--embedded-broker", "--config", file), "mqtt.url", url, "127.0.0.1")


def test_serve_deletes_what_is_older_than_the_configuration_keeps(settings, tmp_path):
    file, _ = settings()
    file.write_text(file.read_text().replace("[registry]", "keep_raw_days = 30\n[registry]"))
    key, now_us = SeriesKey("quarry-pool", "ph", "probe-1"), time.time_ns() // 1000
    store = open_store(f"sqlite:///{tmp_path}/readings.db")
    with closing(open_registry(f"sqlite:///{tmp_path}/registry.db")) as registry:
        registry.put_tank(Tank(key.tank, "Quarry pool"))
    for days_ago in (40, 20):
        at_us = now_us - days_ago * 86_400_000_000
        store.write([Reading(key.tank, key.quantity, key.sensor, at_us, 6.6)])
    with running("serve", "--config", file) as child:
        until(lambda: len(store.read(key, 0, now_us)) == 1 or None, child)
    days = store.aggregate(key, 0, now_us, 86_400_000_000)
    assert days.count.tolist() == [1, 1]
    store.close()
