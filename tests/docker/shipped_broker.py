"""A real mosquitto on exactly the files of docker/mosquitto, and clients of its accounts."""

from __future__ import annotations

import re
import ssl
import subprocess
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import trustme
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from tests.servers import Server, free_port, program

SHIPPED = Path(__file__).parents[2] / "docker" / "mosquitto"
OUTSIDE = "127.0.0.2"
"""Stands for this machine's address in a network; the plain listener is on 127.0.0.1 alone."""
ACCOUNTS = ("littoral", "hub", "reed", "sedge")
PATIENCE_S = 30.0


def set_up(folder: Path, host: str, *users: str) -> dict[str, str]:
    """Run the shipped script; the passwords that it prints, by account."""
    done = subprocess.run(
        [program("sh"), str(SHIPPED / "setup.sh"), str(folder), host, *users],
        check=True,
        capture_output=True,
        text=True,
        timeout=120,
    )
    return dict(re.findall(r"^(\S+): ([0-9a-f]{32})$", done.stdout, re.MULTILINE))


class ShippedBroker(Server):
    """The shipped files with other paths and ports, certificates of a test authority."""

    name = "mosquitto"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        made, included = folder / "littoral", folder / "conf.d"
        for one in (made, included, folder / "data"):
            one.mkdir()
        authority = trustme.CA()
        certificate = authority.issue_cert(OUTSIDE)
        self.ca_file = made / "ca.crt"
        authority.cert_pem.write_to_path(self.ca_file)
        certificate.private_key_pem.write_to_path(made / "server.key")
        for blob in certificate.cert_chain_pems:
            blob.write_to_path(made / "server.crt", append=True)
        self.passwords = set_up(made, OUTSIDE, *ACCOUNTS)
        self.tls_port, self.own_tls_port = free_port(), free_port()
        places = {
            "/etc/mosquitto/littoral": str(made),
            "/etc/mosquitto/conf.d": str(included),
            "/mosquitto/data/": f"{folder}/data/",
            "listener 1883 127.0.0.1": f"listener {self.port} 127.0.0.1",
            "listener 8883": f"listener {self.tls_port} {OUTSIDE}",
            "listener 8884": f"listener {self.own_tls_port} {OUTSIDE}",
        }
        for name, place in (("mosquitto.conf", folder), ("littoral.conf", included)):
            text = (SHIPPED / name).read_text()
            for given, here in places.items():
                text = text.replace(f"{given}\n", f"{here}\n").replace(f"{given}/", f"{here}/")
            (place / name).write_text(text)
        main = folder / "mosquitto.conf"
        main.write_text(f"user root\n{main.read_text()}")

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        return [program("mosquitto"), "-c", str(self.folder / "mosquitto.conf")]

    def settings_of_littoral(self) -> dict[str, Any]:
        """The ``[mqtt]`` of docker/littoral.toml, here."""
        return {
            "url": f"mqtts://{OUTSIDE}:{self.own_tls_port}",
            "username": "littoral",
            "password": self.passwords["littoral"],
            "ca_file": str(self.ca_file),
            "client_id": "littoral-ingest",
        }


class Account:
    """A client of an account, over TLS: what it is told when it publishes, and what it hears."""

    def __init__(
        self, broker: ShippedBroker, user: str | None, password: str | None = None, id: str = ""
    ) -> None:
        self.heard: dict[str, bytes] = {}
        self.refused = ""
        self.ended = ""
        self._answer = threading.Event()
        self._acknowledged: dict[int | None, str] = {}
        self._published = threading.Condition()
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=id,
            protocol=mqtt.MQTTv5,
            reconnect_on_failure=False,
        )
        if user is not None:
            self.client.username_pw_set(user, password or broker.passwords[user])
        self.client.tls_set_context(ssl.create_default_context(cafile=str(broker.ca_file)))
        self.client.on_connect = self._on_connect
        self.client.on_disconnect = self._on_disconnect
        self.client.on_message = self._on_message
        self.client.on_publish = self._on_publish
        self.client.on_subscribe = lambda *_: self._answer.set()
        self.client.connect(OUTSIDE, broker.tls_port)
        self.client.loop_start()
        assert self._answer.wait(PATIENCE_S), "the broker does not answer"

    def __enter__(self) -> Account:
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def subscribe(self, *filters: str) -> None:
        """Subscribe, and wait until the broker has answered."""
        self._answer.clear()
        self.client.subscribe([(one, SubscribeOptions(qos=1)) for one in filters])
        assert self._answer.wait(PATIENCE_S)

    def publish(self, topic: str, payload: str | bytes = "24.5", *, retain: bool = False) -> str:
        """Publish at QoS 1; the broker's answer in its words, or how the connection ended."""
        sent = self.client.publish(topic, payload, qos=1, retain=retain)
        with self._published:
            there = self._published.wait_for(
                lambda: sent.mid in self._acknowledged or self.ended, PATIENCE_S
            )
        assert there, "the broker does not answer"
        return self._acknowledged.get(sent.mid) or self.ended

    def _on_connect(self, _: Any, __: Any, ___: Any, reason: Any, ____: Any) -> None:
        self.refused = str(reason) if reason.is_failure else ""
        self._answer.set()

    def _on_disconnect(self, _: Any, __: Any, ___: Any, reason: Any, ____: Any) -> None:
        with self._published:
            self.ended = str(reason)
            self._published.notify_all()

    def _on_message(self, _: Any, __: Any, message: mqtt.MQTTMessage) -> None:
        self.heard[message.topic] = bytes(message.payload)

    def _on_publish(self, _: Any, __: Any, mid: int, reason: Any, ___: Any) -> None:
        with self._published:
            self._acknowledged[mid] = str(reason)
            self._published.notify_all()
