"""Writes at the same moment, through two served processes on one registry.

Each race is run many times, since one that is lost now and then is lost. It takes longer than other
files of this room for that reason.
"""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
import requests

from tests.another_process import AnotherProcess
from tests.api.scenes import TANK
from tests.servers import free_port, wait_until

pytestmark = pytest.mark.slow

ROUNDS = 30
PROCESSES = 2
TANK_URL = "/v1/tanks/riffle"

SERVE = """
import threading
from contextlib import closing
from service.app.app_factory import create_app
from service.app.application import opened
from service.api.server import Server
from service.config import load_config
folder, url, port = sys.argv[1:]
config = load_config(None, {
    "LITTORAL_STORE__URL": f"sqlite:///{folder}/readings.db",
    "LITTORAL_REGISTRY__URL": url,
    "LITTORAL_HTTP__PORT": port,
    "LITTORAL_HTTP__WRITES_PER_MINUTE": "1000000",
})
context = opened(config)
application = context.__enter__()
server = Server(create_app(application), config.http)
thread = threading.Thread(target=server.run, args=(application.stopping,))
thread.start()
"""


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def urls(request, tmp_path_factory):
    """Addresses of two processes that serve one registry."""
    folder = tmp_path_factory.mktemp("races")
    registry_url = f"sqlite:///{folder / 'registry.db'}"
    if request.param == "postgresql":
        registry_url = request.getfixturevalue("postgresql").emptied()
    ports = [free_port() for _ in range(PROCESSES)]
    processes = []
    for port in ports:  # one after the other: the first makes the schema
        processes.append(AnotherProcess(SERVE, str(folder), registry_url, str(port)))
    found = [f"http://127.0.0.1:{port}" for port in ports]
    for url in found:
        wait_until(lambda url=url: _answers(url))
    yield found
    for process in processes:
        process.does(
            "application.stopping.set(); thread.join(); context.__exit__(None, None, None)"
        )
        process.end()


def _answers(url):
    try:
        return requests.get(f"{url}/healthz", timeout=60).ok
    except requests.ConnectionError:
        return False


class Racers:
    """Requests that are sent at the same moment, each to one of the processes in turn."""

    def __init__(self, urls, count):
        self.barrier = threading.Barrier(count)
        self.pool = ThreadPoolExecutor(count)
        self.clients = [(requests.Session(), urls[number % len(urls)]) for number in range(count)]

    def race(self, *wanted):
        """The answers to ``(method, path, options)``, in that order."""
        return list(self.pool.map(self._send, self.clients, wanted))

    def ask(self, method, path, **options):
        """The answer to one request that nobody races."""
        session, url = self.clients[0]
        return session.request(method, url + path, timeout=60, **options)

    def _send(self, client, wanted):
        session, url = client
        method, path, options = wanted
        self.barrier.wait()
        return session.request(method, url + path, timeout=60, **options)


@pytest.fixture
def racers(urls):
    one = Racers(urls, 4)
    one.ask("DELETE", TANK_URL)
    one.ask("PUT", "/v1/absences", json={"absences": []})
    yield one
    one.pool.shutdown()
    for session, _ in one.clients:
        session.close()


def _statuses(answers):
    return sorted(answer.status_code for answer in answers)


def test_only_one_registers_a_tank_that_is_new(racers):
    for number in range(ROUNDS):
        answers = racers.race(
            *(
                ("PUT", f"/v1/tanks/t{number}", _body(name, {"If-None-Match": "*"}))
                for name in ("a", "b", "c", "d")
            )
        )
        assert _statuses(answers) == [201, 412, 412, 412], number
        [winner] = [answer for answer in answers if answer.ok]
        there = racers.ask("GET", f"/v1/tanks/t{number}")
        assert there.json() == winner.json()
        assert there.headers["ETag"] == winner.headers["ETag"]
        racers.ask("DELETE", f"/v1/tanks/t{number}")


@pytest.mark.parametrize("method", ["PUT", "PATCH"])
def test_only_one_changes_the_version_that_was_read(racers, method):
    racers.ask("PUT", TANK_URL, **_body("start"))
    for number in range(ROUNDS):
        tag = racers.ask("GET", TANK_URL).headers["ETag"]
        answers = racers.race(
            *(
                (method, TANK_URL, _body(f"{name}{number}", {"If-Match": tag}))
                for name in ("a", "b", "c", "d")
            )
        )
        assert _statuses(answers) == [200, 412, 412, 412], number
        [winner] = [answer for answer in answers if answer.ok]
        assert racers.ask("GET", TANK_URL).json() == winner.json()


def test_a_tank_is_either_deleted_or_changed(racers):
    won = set()
    for number in range(ROUNDS):
        racers.ask("PUT", TANK_URL, **_body("start"))
        tag = racers.ask("GET", TANK_URL).headers["ETag"]
        delete = ("DELETE", TANK_URL, {"headers": {"If-Match": tag}})
        answers = racers.race(
            delete,
            ("PATCH", TANK_URL, _body("a", {"If-Match": tag})),
            delete,
            ("PATCH", TANK_URL, _body("b")),
        )
        good = [answer for answer in answers if answer.ok]
        assert set(_statuses(answers)) <= {200, 204, 404, 412}
        deleted = [answer for answer in good if answer.status_code == 204]
        conditional = [answer for answer in answers[:3] if answer.ok]
        assert len(conditional) <= 1, (number, _statuses(answers))
        there = racers.ask("GET", TANK_URL)
        assert there.status_code == (404 if deleted else 200)
        if not deleted:
            assert there.json()["name"] in {answer.json()["name"] for answer in good}
        if deleted:  # what was changed before has another version
            assert not answers[1].ok and not answers[3].ok, (number, _statuses(answers))
        won.add(bool(deleted))


def test_only_one_replaces_the_absences_that_were_read(racers):
    for number in range(ROUNDS):
        tag = racers.ask("GET", "/v1/absences").headers["ETag"]
        answers = racers.race(
            *(
                ("PUT", "/v1/absences", _absences(f"{name}{number}", {"If-Match": tag}))
                for name in ("a", "b", "c", "d")
            )
        )
        assert _statuses(answers) == [200, 412, 412, 412], number
        [winner] = [answer for answer in answers if answer.ok]
        there = racers.ask("GET", "/v1/absences")
        assert there.json() == winner.json()
        assert there.headers["ETag"] == winner.headers["ETag"]


def test_absences_replaced_at_once_are_those_of_one_of_them(racers):
    for number in range(ROUNDS):
        answers = racers.race(
            *(
                ("PUT", "/v1/absences", _absences(f"{name}{number}"))
                for name in ("a", "b", "c", "d")
            )
        )
        assert _statuses(answers) == [200] * 4, number
        [one] = racers.ask("GET", "/v1/absences").json()["absences"]
        assert one["note"] in {f"{name}{number}" for name in ("a", "b", "c", "d")}


def test_no_member_that_somebody_changed_is_lost(racers):
    racers.ask("PUT", TANK_URL, **_body("start"))
    for number in range(ROUNDS):
        changes = {
            "name": f"n{number}",
            "notes": f"o{number}",
            "equipment": {"round": number},
            "energy": ("low", "high")[number % 2],
        }
        answers = racers.race(
            *(("PATCH", TANK_URL, {"json": {name: value}}) for name, value in changes.items())
        )
        assert _statuses(answers) == [200] * 4, number
        there = racers.ask("GET", TANK_URL).json()
        assert {name: there[name] for name in changes} == changes, number


def test_an_entry_sent_again_at_once_is_stored_once(racers):
    racers.ask("PUT", TANK_URL, **_body("start"))
    for number in range(ROUNDS):
        entry = {"id": f"visit-{number}", "kind": "observation", "note": "clear"}
        answers = racers.race(*[("POST", f"{TANK_URL}/log", {"json": entry})] * 4)
        assert _statuses(answers) == [201] * 4, number
        assert len({answer.text for answer in answers}) == 1
    assert len(racers.ask("GET", f"{TANK_URL}/log").json()["entries"]) == ROUNDS


def _body(name, headers=None):
    return {"json": TANK | {"name": name}, "headers": headers or {}}


def _absences(note, headers=None):
    absence = {
        "start": "2025-07-01T06:00:00Z",
        "end": "2025-07-21T18:00:00Z",
        "note": note,
    }
    return {"json": {"absences": [absence]}, "headers": headers or {}}
