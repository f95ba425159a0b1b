"""The shipped broker configuration, on a real mosquitto: attacked, and used as it is meant.

What each account may do follows the access control of MQTT 5.0 (OASIS), section 5.4.2
(non-normative); its reason codes, section 2.4, say why something is refused.
"""

from __future__ import annotations

import importlib
import re
import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.decode.message import PAYLOAD_LIMIT_BYTES
from service.advice.engine.history.ledger import Ledger
from service.config import HUB_PLATFORMS, HomieOptions, HubOptions, MqttConfig
from service.integrations.homie.publisher import Homie
from service.integrations.hub.presses import Marking
from service.integrations.hub.publisher import Hub
from service.integrations.mqtt_advice import MqttAdvice
from service.quantities import QUANTITIES
from service.registry.models.recommendations import State
from tests.docker.shipped_broker import OUTSIDE, SHIPPED, Account, ShippedBroker, set_up
from tests.integrations.conftest import Home
from tests.servers import program, wait_until

DONE = ("Success", "No matching subscribers")
REFUSED = "Not authorized"


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ShippedBroker]:
    server = ShippedBroker(tmp_path_factory.mktemp("shipped"))
    server.start()
    yield server
    server.stop()
    assert "Unable to" not in server.log


def test_strangers_are_refused(broker: ShippedBroker) -> None:
    for user, password in ((None, None), ("reed", "wrong"), ("nobody", "x"), ("littoral", "")):
        with Account(broker, user, password or "x") as stranger:
            assert stranger.refused == REFUSED, user


def test_nothing_is_heard_without_tls_from_outside(broker: ShippedBroker) -> None:
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection((OUTSIDE, broker.port), timeout=60)
    listeners = re.findall(r"^listener .*$", (SHIPPED / "littoral.conf").read_text(), re.MULTILINE)
    assert listeners == ["listener 1883 127.0.0.1", "listener 8883"]
    plain = mqtt.Client(CallbackAPIVersion.VERSION2)
    plain.username_pw_set("reed", broker.passwords["reed"])
    plain.connect(OUTSIDE, broker.tls_port)
    assert plain.loop_start() == mqtt.MQTT_ERR_SUCCESS
    wait_until(lambda: plain._thread is None or not plain.is_connected())
    plain.disconnect()
    plain.loop_stop()
    assert not plain.is_connected()


def test_old_tls_is_refused(broker: ShippedBroker) -> None:
    context = ssl.create_default_context(cafile=str(broker.ca_file))
    with pytest.warns(DeprecationWarning, match="TLSv1_1"):
        context.minimum_version = context.maximum_version = ssl.TLSVersion.TLSv1_1
    with (
        socket.create_connection((OUTSIDE, broker.tls_port), timeout=60) as one,
        pytest.raises(ssl.SSLError),
    ):
        context.wrap_socket(one, server_hostname=OUTSIDE)


def test_this_machine_needs_a_password_too(broker: ShippedBroker) -> None:
    refused = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, reconnect_on_failure=False)
    client.on_connect = lambda _, __, ___, reason, ____: reason.is_failure and refused.set()
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    assert refused.wait(60)
    client.loop_stop()


def tried(broker: ShippedBroker, user: str, topic: str, payload: str = "24.5", **options) -> str:
    """The broker's answer to one publication; it may end the connection after a refusal."""
    with Account(broker, user) as account:
        return account.publish(topic, payload, **options)


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_a_board_writes_each_quantity_of_its_own_tank(broker: ShippedBroker, quantity: str) -> None:
    for topic in (f"littoral/reed/{quantity}", f"littoral/reed/{quantity}/glass-2"):
        assert tried(broker, "reed", topic) in DONE
        assert tried(broker, "sedge", topic) == REFUSED


def test_a_board_writes_packs_of_its_own_tank(broker: ShippedBroker) -> None:
    assert tried(broker, "reed", "littoral/reed", "[]") in DONE
    assert tried(broker, "reed", "littoral/sedge", "[]") == REFUSED


@pytest.mark.parametrize(
    "topic",
    [
        "littoral/reed/advice/summary",
        "littoral/reed/advice/co2-high",
        "littoral/reed/advice/dose/potassium",
        "littoral/$ingest/littoral-ingest",
        "littoral/$advice/littoral-ingest",
        "littoral/$hub/littoral/$status/littoral-ingest",
        "littoral/$hub/littoral/reed/temperature",
        "homie/5/littoral-reed/water/temperature",
        "homie/5/littoral/$state",
        "homeassistant/device/littoral-reed/config",
        *(f"homeassistant/{one}/littoral-reed/x/config" for one in HUB_PLATFORMS),
        "homeassistant/status",
        "littoral/hub/ph",
        "littoral/littoral/ph",
        "littoral/reed/ph/glass/more",
        "anything/else",
    ],
)
def test_neither_a_board_nor_a_hub_writes_what_littoral_writes(
    broker: ShippedBroker, topic: str
) -> None:
    assert tried(broker, "reed", topic, retain=True) == REFUSED
    if topic != "homeassistant/status":
        assert tried(broker, "hub", topic, retain=True) == REFUSED


def test_a_hub_writes_no_readings(broker: ShippedBroker) -> None:
    for topic in ("littoral/reed/ph", "littoral/reed", "littoral/hub/ph", "littoral/hub"):
        assert tried(broker, "hub", topic) == REFUSED


def test_a_board_hears_nothing_of_others(broker: ShippedBroker) -> None:
    """The subscription is taken, and nothing comes: the acknowledgement would come after it."""
    own = mqtt.Client(CallbackAPIVersion.VERSION2)
    own.username_pw_set("littoral", broker.passwords["littoral"])
    own.connect("127.0.0.1", broker.port)
    own.loop_start()
    with Account(broker, "reed") as board, Account(broker, "sedge") as other:
        board.subscribe("#", "littoral/#", "littoral/sedge/ph", "$SYS/#")
        own.publish("littoral/sedge/advice/summary", "{}", 1).wait_for_publish(30)
        assert other.publish("littoral/sedge/ph") in DONE
        assert board.publish("littoral/reed/ph") in DONE
        assert board.heard == {}
    own.disconnect()
    own.loop_stop()


def test_what_is_too_large_ends_its_connection(broker: ShippedBroker) -> None:
    with Account(broker, "reed") as board:
        assert board.publish("littoral/reed", b" " * PAYLOAD_LIMIT_BYTES) in DONE
        assert board.publish("littoral/reed", b" " * 2 * PAYLOAD_LIMIT_BYTES) not in DONE
        assert board.ended, "in the broker's words, or by a reset while it was still sent"


def test_a_large_packet_is_refused_by_its_length(broker: ShippedBroker) -> None:
    """250 MB are announced and never sent: the broker does not wait for them."""
    with Account(broker, "reed") as board:
        raw = board.client.socket()
        raw.sendall(b"\x32\xff\xff\xff\x7f")  # PUBLISH, QoS 1, remaining length 268,435,455
        wait_until(lambda: board.ended != "")
        assert board.ended == "Packet too large"


def test_nobody_takes_over_the_session_of_another(broker: ShippedBroker, make_bench) -> None:
    bench = make_bench(broker, mqtt=broker.settings_of_littoral())
    bench.start()
    with Account(broker, "reed", id="littoral-ingest") as thief:
        thief.subscribe("littoral/#")
        assert thief.publish("littoral/reed/temperature", "24.5") in DONE
        assert bench.wait_for("reed", "temperature").value == 24.5
        assert thief.heard == {}
    assert bench.ingester._connection.arrivals.connection == 1, "it was never disconnected"


def test_a_payload_cannot_name_another_tank(broker: ShippedBroker, make_bench) -> None:
    bench = make_bench(broker, mqtt=broker.settings_of_littoral())
    bench.start()
    with Account(broker, "reed") as board:
        for payload in (
            "ph,tank=sedge value=5.5",
            '[{"bn": "sedge/", "n": "ph", "v": 5.5, "u": "pH"}]',
            '{"tank": "sedge", "ph": 5.5}',
        ):
            assert board.publish("littoral/reed", payload) in DONE
        assert board.publish("littoral/reed/ph", "6.5") in DONE
        wait_until(lambda: 6.5 in [value for _, value, _ in bench.readings("reed", "ph")])
    assert not [one for one in bench.store.series() if one.key.tank == "sedge"]


def board_link(monkeypatch: pytest.MonkeyPatch, broker: ShippedBroker, **changed):
    """The link of the board's own program, here under CPython."""
    monkeypatch.syspath_prepend(str(SHIPPED.parents[1] / "demo" / "sensor"))
    link = importlib.import_module("link")
    data = {
        "host": OUTSIDE,
        "port": broker.tls_port,
        "client_id": "board-1",
        "user": "reed",
        "password": broker.passwords["reed"],
        "authority": str(broker.ca_file.with_name("ca.der")),
    }
    return link.Link(**(data | changed)), link.LinkError


def test_the_board_s_program_publishes_over_tls(
    broker: ShippedBroker, make_bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = make_bench(broker, mqtt=broker.settings_of_littoral())
    bench.start()
    link, _ = board_link(monkeypatch, broker)
    link.publish("littoral/reed", '[{"n": "board-1:temperature", "u": "Cel", "v": 24.5625}]')
    assert bench.wait_for("reed", "temperature", "board-1").value == 24.5625
    link.close()


def test_the_board_s_program_refuses_another_broker(
    broker: ShippedBroker, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Under another name, or with a certificate of another authority."""
    set_up(tmp_path, OUTSIDE, "reed")
    for changed in ({"host": "127.0.0.2.nip.invalid"}, {"authority": str(tmp_path / "ca.der")}):
        link, _ = board_link(monkeypatch, broker, **changed)
        found = socket.getaddrinfo(OUTSIDE, broker.tls_port)
        monkeypatch.setattr(socket, "getaddrinfo", lambda *_, found=found: found)
        with pytest.raises(ssl.SSLCertVerificationError):
            link.publish("littoral/reed", "[]")


ENTITIES = (
    ("sensor", "first"), ("binary_sensor", "urgent"), ("event", "event"), ("button", "done"),
)  # fmt: skip


def integrations_of(broker: ShippedBroker, home: Home) -> list[MqttAdvice | Homie | Hub]:
    config = MqttConfig(**broker.settings_of_littoral())
    return [
        MqttAdvice(config, 60.0),
        Homie("homie", HomieOptions(), config, 60.0),
        Hub("hub", HubOptions(), config, 60.0, Marking(home.registry, home.clock, lambda: None)),
    ]


@pytest.mark.needs("mosquitto", "mosquitto_passwd", "openssl")
def test_ingester_advice_homie_and_hub_work_by_the_service_s_account(
    broker: ShippedBroker, make_bench, home: Home
) -> None:
    bench = make_bench(broker, mqtt=broker.settings_of_littoral())
    bench.start()
    with Account(broker, "reed") as board:
        board.publish("littoral/reed/temperature/main", "24.5")
    assert bench.wait_for("reed", "temperature").value == 24.5
    with Account(broker, "hub") as hub:
        hub.subscribe("littoral/#", "homie/#", "homeassistant/#")
        made = integrations_of(broker, home)
        for one in made:
            one.start()
        wait_until(lambda: all(one.is_connected for one in made))
        home.measure("reed", temperature=31.0)
        home.scheduler(*made).evaluate_all()
        state = "$hub/littoral/reed/temperature"  # never retained, so not withdrawn
        expected = {
            "littoral/reed/advice/summary",
            "littoral/$advice/littoral-ingest",
            "homie/5/littoral/$description",
            "homie/5/littoral-reed/$description",
            "homie/5/littoral-reed/water/temperature",
            *(f"homeassistant/{one}/littoral-reed/{key}/config" for one, key in ENTITIES),
            "littoral/$hub/littoral/reed/first/attributes",
            "littoral/$hub/littoral/$status/littoral-ingest",
            f"littoral/$ingest/{bench.config.mqtt.client_id}",
            "littoral/$hub/littoral/reed/temperature",
            "littoral/$hub/littoral/reed/temperature/availability",
        }
        wait_until(lambda: expected <= set(hub.heard), 30, lambda: f"{expected - set(hub.heard)}")
        wait_until(lambda: b"31" in hub.heard["littoral/$hub/littoral/reed/temperature"])
        hub.heard.pop("littoral/$hub/littoral/reed/temperature")
        assert hub.publish("homeassistant/status", "online") in DONE
        wait_until(lambda: "littoral/$hub/littoral/reed/temperature" in hub.heard)
        # The hub may press the buttons, and a board may not.
        (first, *_) = Ledger(home.registry).list("reed")
        press = "littoral/$hub/littoral/reed/not_now/press"
        assert tried(broker, "reed", press, first.id) == REFUSED
        assert hub.publish(press, first.id) in DONE
        wait_until(lambda: Ledger(home.registry).get(first.id).state is State.SNOOZED)
        for one in made:
            one.stop()
        wait_until(lambda: hub.heard["homie/5/littoral/$state"] == b"disconnected")

        # A later run finds what this one has left of a tank that is deleted, and removes it.
        home.registry.delete_tank("reed")
        later = integrations_of(broker, home)
        for one in later:
            one.start()
        wait_until(lambda: all(one.is_connected for one in later))
        home.scheduler(*later).evaluate_all()
        passing = (state, "/attributes")
        left = {topic for topic in expected if "reed" in topic and not topic.endswith(passing)}
        wait_until(lambda: not any(hub.heard[topic] for topic in left), 30, lambda: f"{hub.heard}")
        for one in later:
            one.stop()


def test_what_was_acknowledged_waits_over_a_crash_of_the_broker(tmp_path: Path, make_bench) -> None:
    """All but the last few: littoral.conf says how many."""
    broker = ShippedBroker(tmp_path / "crash")
    broker.start()
    bench = make_bench(broker, mqtt=broker.settings_of_littoral() | {"session_expiry_s": 600})
    bench.start()
    bench.stop()
    with Account(broker, "reed") as board:
        for number in range(100):
            assert board.publish("littoral/reed/illuminance", str(number)) in DONE
    broker.kill()
    broker.start()
    conf = (SHIPPED / "littoral.conf").read_text()
    (most_lost,) = map(int, re.findall(r"^autosave_interval (\d+)$", conf, re.MULTILINE))
    bench.start()
    bench.wait_for("reed", "illuminance", count=100 - most_lost)
    broker.stop()


def test_the_access_list_names_every_quantity_and_every_default_topic() -> None:
    rules = re.findall(
        r"^(?:topic|pattern) \w+ (\S+)$", (SHIPPED / "acl").read_text(), re.MULTILINE
    )
    for quantity in QUANTITIES:
        assert {f"littoral/%u/{quantity}", f"littoral/%u/{quantity}/+"} <= set(rules)
    for prefix in (MqttConfig().prefix, HomieOptions().prefix, HubOptions().prefix):
        assert any(rule.startswith(f"{prefix}/") for rule in rules)
    conf = (SHIPPED / "littoral.conf").read_text()
    (largest,) = map(int, re.findall(r"^max_packet_size (\d+)$", conf, re.MULTILINE))
    assert PAYLOAD_LIMIT_BYTES + 1000 < largest < 1.1 * PAYLOAD_LIMIT_BYTES
    assert re.search(r"^max_queued_messages 0$", conf, re.MULTILINE)


@pytest.mark.parametrize("host", ["tanks.example", "192.0.2.7", "2001:db8::7"])
def test_the_script_makes_certificates_and_accounts(tmp_path: Path, host: str) -> None:
    folder = tmp_path / "made"
    first = set_up(folder, host, "littoral", "reed")
    before = {one.name: one.read_bytes() for one in folder.iterdir()}
    second = set_up(folder, host, "littoral", "sedge")
    assert (set(first), set(second)) == ({"littoral", "reed"}, {"sedge"})
    after = {one.name: one.read_bytes() for one in folder.iterdir()}
    assert after.pop("passwords").startswith(before.pop("passwords"))
    assert after == before, "what is there stays"
    assert before.keys() >= {"acl", "ca.crt", "ca.der", "server.crt", "server.key"}
    for secret in ("passwords", "server.key", "ca.key"):
        assert (folder / secret).stat().st_mode & 0o077 == 0
    for password in (*first.values(), *second.values()):
        assert password.encode() not in (folder / "passwords").read_bytes()
    for data in ((folder / "ca.der").read_bytes(), (folder / "ca.crt").read_text()):
        check_handshake(folder, host, data)


def check_handshake(folder: Path, host: str, authority: str | bytes) -> None:
    """Both ends in memory: Python's own checks, the strict ones too, take the certificate."""
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.verify_flags |= ssl.VERIFY_X509_STRICT
    client.load_verify_locations(cadata=authority)
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(folder / "server.crt", folder / "server.key")
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    ends = [
        client.wrap_bio(to_client, to_server, server_hostname=host),
        server.wrap_bio(to_server, to_client, server_side=True),
    ]
    while ends:
        for end in list(ends):
            try:
                end.do_handshake()
            except ssl.SSLWantReadError:
                continue
            ends.remove(end)


@pytest.mark.parametrize("words", [["x"], ["x", "h"], ["x", "h", "Reed"], ["x", "h/..", "reed"]])
def test_the_script_refuses_what_it_cannot_use(tmp_path: Path, words: list[str]) -> None:
    done = subprocess.run(
        [program("sh"), str(SHIPPED / "setup.sh"), *words],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.startswith("setup.sh: ")
    assert list(tmp_path.iterdir()) == []
