"""What the broker may ask of us: TLS, user and password, client certificates, sharing, overlap."""

from __future__ import annotations

import json
import subprocess
import time
from dataclasses import replace

import pytest

from service.config import RouteConfig
from service.errors import ConfigError
from service.store import Flag
from tests.ingest.conftest import publish, publish_lines
from tests.servers import HOST, free_port, program, wait_until


def openssl(*words, cwd):
    subprocess.run([program("openssl"), *words], cwd=cwd, check=True, capture_output=True)


@pytest.fixture(scope="module")
def certificates(tmp_path_factory):
    """A certificate authority of the test's own, a server's and a client's certificate."""
    folder = tmp_path_factory.mktemp("certificates")
    key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    openssl(
        *("req", "-x509", *key, "-days", "2", "-subj", f"/CN={folder.name}"),
        *("-keyout", "ca.key", "-out", "ca.crt"),
        cwd=folder,
    )
    (folder / "san").write_text("subjectAltName=IP:127.0.0.1\n")
    for name in ("server", "client"):
        openssl(
            *("req", *key, "-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.csr"),
            cwd=folder,
        )
        openssl(
            *(f"x509 -req -in {name}.csr -CA ca.crt -CAkey ca.key -CAcreateserial".split()),
            *(f"-days 2 -extfile san -out {name}.crt".split()),
            cwd=folder,
        )
    for file in folder.iterdir():
        file.chmod(0o644)
    folder.chmod(0o755)
    return folder


@pytest.mark.needs("openssl")
def test_tls_with_client_certificate(tmp_path, start_mosquitto, make_bench, certificates):
    port = free_port()
    broker = start_mosquitto(
        tmp_path,
        f"listener {port} {HOST}\ncafile {certificates}/ca.crt\n"
        f"certfile {certificates}/server.crt\nkeyfile {certificates}/server.key\n"
        "require_certificate true\n",
    )
    mqtt = {
        "url": f"mqtts://{HOST}:{port}",
        "ca_file": f"{certificates}/ca.crt",
        "cert_file": f"{certificates}/client.crt",
        "key_file": f"{certificates}/client.key",
    }
    bench = make_bench(broker, mqtt=mqtt)
    bench.start()
    # Many at once: what TLS has decrypted must be read though the socket itself is silent.
    publish_lines(broker, "littoral/reed/illuminance", [str(n) for n in range(2000)])
    bench.wait_for("reed", "illuminance", count=2000)
    bench.stop()
    without = make_bench(broker, mqtt={**mqtt, "cert_file": None, "key_file": None})
    without.launch()
    without.wait(lambda status: "connection" in " ".join(status["errors"]))
    assert not without.status()["subscribed"]


@pytest.mark.needs("mosquitto_passwd")
def test_user_and_password(tmp_path, start_mosquitto, make_bench):
    passwords = tmp_path / "passwords"
    subprocess.run(
        [program("mosquitto_passwd"), "-c", "-b", passwords, "ingest", "s:e/c@r"],
        check=True,
        capture_output=True,
    )
    passwords.chmod(0o644)
    tmp_path.chmod(0o755)
    broker = start_mosquitto(
        tmp_path,
        f"allow_anonymous false\npassword_file {passwords}\n",
    )
    for mqtt in (
        {"url": f"mqtt://{HOST}:{broker.port}", "username": "ingest", "password": "s:e/c@r"},
        {"url": f"mqtt://ingest:s%3Ae%2Fc%40r@{HOST}:{broker.port}"},
    ):
        bench = make_bench(broker, mqtt=mqtt)
        bench.start()
        bench.stop()
    wrong = make_bench(
        broker, mqtt={"url": f"mqtt://{HOST}:{broker.port}", "username": "ingest", "password": "no"}
    )
    wrong.launch()
    wrong.wait(lambda status: "Not authorized" in " ".join(status["errors"]))
    assert not wrong.status()["subscribed"]
    assert "no" not in wrong.status()["errors"][0].split()


def test_a_second_client_with_the_same_id_is_reported(tmp_path, start_mosquitto, make_bench):
    """In the status, which ``/healthz`` shows: both take the connection from each other."""
    broker = start_mosquitto(tmp_path)
    both = [make_bench(broker), make_bench(broker)]
    same = {one.config.mqtt.client_id for one in both}
    if len(same) > 1:
        both[1].config = replace(both[1].config, mqtt=both[0].config.mqtt)
    for one in both:
        one.launch()
    wanted = f"same client id, {both[0].config.mqtt.client_id!r}"
    wait_until(lambda: any(wanted in " ".join(one.status()["errors"]) for one in both))
    for one in both:
        one.stop()


def test_several_ingesters_share_the_load(tmp_path, start_mosquitto, make_bench):
    broker = start_mosquitto(tmp_path)
    first = make_bench(broker, shared_group="littoral")
    second = make_bench(broker, shared_group="littoral")
    first.start()
    second.start()
    publish_lines(broker, "littoral/reed/illuminance", [str(n) for n in range(400)])

    def values(bench):
        return [value for _, value, _ in bench.readings("reed", "illuminance")]

    wait_until(lambda: len(values(first)) + len(values(second)) >= 400)
    assert sorted(values(first) + values(second)) == [float(n) for n in range(400)]
    assert values(first)
    assert values(second)


def test_one_that_leaves_takes_what_waits_for_it_and_no_more(
    tmp_path, start_mosquitto, make_bench, monkeypatch
):
    """The broker would go on giving its session a share of all that comes."""
    monkeypatch.setattr("ingest.app._QUIET_S", 1.0)
    broker = start_mosquitto(tmp_path)
    first = make_bench(broker, shared_group="littoral")
    second = make_bench(broker, shared_group="littoral")
    first.start()
    second.start()
    second.stop()
    numbers = [float(n) for n in range(40)]
    publish_lines(broker, "littoral/reed/illuminance", [str(n) for n in numbers])

    def values(bench, quantity):
        return [value for _, value, _ in bench.readings("reed", quantity)]

    assert not values(second, "illuminance")
    second.launch(leaving=True)
    second.wait_ended()
    found = values(second, "illuminance")
    assert found
    wait_until(lambda: sorted(values(first, "illuminance") + found) == numbers)
    publish_lines(broker, "littoral/reed/conductivity", [str(n) for n in numbers])
    wait_until(lambda: values(first, "conductivity") == numbers)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_overlapping_routes_do_not_double(mosquitto, make_bench, protocol):
    bench = make_bench(mosquitto, mqtt={"protocol": protocol})
    bench.config = replace(
        bench.config,
        routes=(
            RouteConfig("yard/{tank}/{quantity}"),
            RouteConfig("yard/reed/+", tank="sedge", quantity="ph"),
            RouteConfig("+/reed/ph", tank="reed", quantity="ph", sensor="other"),
        ),
    )
    bench.start()
    publish_lines(mosquitto, "yard/reed/ph", [f"6.{n:02}" for n in range(20)])
    copies = 2 if protocol == "5" else 1  # mosquitto sends one for each subscription
    bench.wait(lambda status: status["acknowledged"] == copies * 20)
    for tank, sensor in (("reed", "main"), ("sedge", "main"), ("reed", "other")):
        assert len(bench.readings(tank, "ph", sensor)) == 20


def test_device_times_lateness_and_wrong_clocks(mosquitto, make_bench):
    bench = make_bench(mosquitto)
    bench.start()
    now_s = time.time()
    for value, stamp in (
        (24.1, now_s - 7200),
        (24.2, (now_s - 30) * 1000),
        (24.3, 4000),
        (24.4, "2001-01-01T00:00:00Z"),
        (24.5, now_s + 86_400),
        (24.6, "soon"),
    ):
        publish(mosquitto, "littoral/reed/temperature", json.dumps({"value": value, "time": stamp}))
    bench.wait_for("reed", "temperature", count=6)
    found = {
        value: (time_us / 1e6, flags)
        for time_us, value, flags in bench.readings("reed", "temperature")
    }
    assert found[24.1] == (pytest.approx(now_s - 7200, abs=1e-5), Flag.LATE)
    assert found[24.2] == (pytest.approx(now_s - 30, abs=1e-5), Flag.NONE)
    for value in (24.3, 24.4, 24.5, 24.6):
        at_s, flags = found[value]
        assert (flags, now_s <= at_s <= time.time()) == (Flag.CLOCK, True)


def test_the_same_stamped_reading_twice_is_one(mosquitto, make_bench):
    bench = make_bench(mosquitto)
    bench.start()
    payload = json.dumps({"value": 24.1, "time": time.time()})
    publish(mosquitto, "littoral/reed/temperature", payload)
    publish(mosquitto, "littoral/reed/temperature", payload)
    wait_until(lambda: bench.status()["acknowledged"] == 2)
    assert len(bench.readings("reed", "temperature")) == 1
    assert bench.status()["stored"] == 1


def test_missing_certificate_file_is_named(mosquitto, make_bench):
    bench = make_bench(
        mosquitto, mqtt={"url": f"mqtts://{HOST}:{mosquitto.port}", "ca_file": "/nowhere/ca.crt"}
    )
    with pytest.raises(ConfigError, match="ca_file"):
        bench.start()


def test_a_route_that_is_gone_is_unsubscribed_from_the_kept_session(mosquitto, make_bench):
    bench = make_bench(mosquitto)
    plain = bench.config
    bench.config = replace(plain, routes=(RouteConfig("yard/{tank}/{quantity}"),))
    bench.start()
    publish(mosquitto, "yard/reed/ph", "6.5")
    bench.wait_for("reed", "ph")
    bench.stop()
    bench.config = plain
    bench.start()
    publish(mosquitto, "yard/reed/ph", "6.6")
    publish(mosquitto, "littoral/reed/ph", "6.7")
    bench.wait_for("reed", "ph", count=2)
    assert bench.status()["received"] == 1
