"""A backup of a running service, from sensor to API; and the service restored from it."""

from __future__ import annotations

import signal
import threading

import pytest
import requests

from service.registry.registry import open_registry
from tests.cli.conftest import process
from tests.cli.test_serving import ready, running, until
from tests.ingest.load import KEY, Publisher
from tests.servers import free_port

SENT = 300


def configuration(folder, mqtt_port, port):
    folder.mkdir()
    file = folder / "littoral.toml"
    file.write_text(
        f"""
[store]
url = "sqlite:///{folder}/readings.db"
[registry]
url = "sqlite:///{folder}/registry.db"
[mqtt]
url = "mqtt://127.0.0.1:{mqtt_port}"
[ingest]
batch_age_s = 0.05
spool_path = "{folder}/spool.db"
[advice]
publish = false
[http]
port = {port}
"""
    )
    return file


TANK = {
    "name": "Reed (invented)",
    "dimensions": {side: {"value": 50, "unit": "cm"} for side in ("length", "width", "height")},
    "kh": {"value": 4, "unit": "dKH"},
}


class Asking:
    """What a service answers about everything that does not change with time."""

    def __init__(self, base, secret):
        self.base, self.headers = base, {"Authorization": f"Bearer {secret}"}

    def get(self, path):
        answer = requests.get(f"{self.base}{path}", headers=self.headers, timeout=60)
        assert answer.status_code == 200, (path, answer.text)
        return answer.json()

    def known(self):
        return {
            path: self.get(path)
            for path in ("/v1/tanks", "/v1/tanks/reed", "/v1/tanks/reed/log", "/v1/absences")
        }


class Sending(threading.Thread):
    """Readings that go on coming in, two hundred a second: faster takes time from the backup."""

    def __init__(self, publisher):
        super().__init__(daemon=True)
        self.publisher, self.ended = publisher, threading.Event()

    def run(self):
        while not self.ended.wait(0.005):
            self.publisher.send(1)

    def __enter__(self):
        self.start()
        return self

    def __exit__(self, *_):
        self.ended.set()
        self.join()


@pytest.mark.slow
def test_backup_while_readings_come_in_and_the_service_restored(tmp_path, mosquitto):
    old_port, new_port = free_port(), free_port()
    old = configuration(tmp_path / "old", mosquitto.port, old_port)
    new = configuration(tmp_path / "new", 1, new_port)
    base, file = f"http://127.0.0.1:{old_port}", tmp_path / "backup.tar"
    with running("up", "--config", old) as child:
        until(lambda: ready(base), child)
        secret = process(
            "token", "create", "phone", "--scope", "admin", "--config", old
        ).out.strip()
        asking = Asking(base, secret)
        put = requests.put(f"{base}/v1/tanks/reed", json=TANK, headers=asking.headers, timeout=60)
        assert put.status_code == 201, put.text
        entry = {"kind": "observation", "note": "before the backup"}
        requests.post(
            f"{base}/v1/tanks/reed/log", json=entry, headers=asking.headers, timeout=20
        ).raise_for_status()
        until(lambda: subscribed(tmp_path / "old") or None, child)
        publisher = Publisher(mosquitto.port)
        publisher.send(SENT)
        until(lambda: len(stored(asking)) >= SENT or None, child)
        known = asking.known()
        with Sending(publisher):
            before = stored(asking)
            outcome = process("backup", file, "--config", old)
            assert outcome.code == 0, outcome.err
            sent = publisher.count
            until(lambda: len(stored(asking)) > sent or None, child)  # none was held up
        publisher.close()
        child.send_signal(signal.SIGTERM)
        child.wait(60)
    assert len(before) >= SENT
    outcome = process("restore", file, "--config", new)
    assert outcome.code == 0, outcome.err
    assert "1 tanks and 1 series restored" in outcome.out
    base = f"http://127.0.0.1:{new_port}"
    with running("serve", "--config", new) as child:
        until(lambda: ready(base), child)
        asking = Asking(base, secret)
        assert asking.known() == known
        after = stored(asking)
        assert {at: after.get(at) for at in before} == before
        assert sorted(after.values()) == [float(n) for n in range(len(after))]  # no gap, no double


def subscribed(folder):
    registry = open_registry(f"sqlite:///{folder}/registry.db")
    found = registry.statuses().values()
    registry.close()
    return any(one.get("subscribed") for one in found)


def stored(asking):
    """Time of each reading that the service answers -> its value."""
    found, path = {}, f"/v1/tanks/reed/readings?quantity={KEY.quantity}&limit=10000"
    while path:
        page = asking.get(path)
        found |= {row["time"]: row["value"] for row in page["readings"]}
        path = page["next"]
    return found
