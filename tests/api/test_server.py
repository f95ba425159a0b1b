"""The real server in front of the application: its own limits are no narrower than those of the
application, and what it refuses itself is a problem with the headers of every answer."""

from __future__ import annotations

import json
import socket
import threading
import time
from http.client import HTTPResponse
from types import SimpleNamespace

import pytest
import requests
from flask import Flask

from service.api.http.security_headers import EVERYWHERE
from service.api.server import Server
from service.app.app_factory import create_app
from service.config import HttpConfig
from service.problems import PROBLEMS

MIB = 1024 * 1024


@pytest.fixture
def url(context):
    stop = threading.Event()
    server = Server(create_app(context), HttpConfig(port=0))
    thread = threading.Thread(target=server.run, args=(stop,))
    thread.start()
    yield server.url
    stop.set()
    thread.join()


@pytest.mark.parametrize(
    ("size", "status"), [(200, 200), (8 * MIB, 200), (8 * MIB + 1, 413), (12 * MIB, 413)]
)
def test_a_body_of_eight_mebibytes_is_taken_and_more_is_a_problem(url, size, status):
    body = json.dumps({"absences": []}).ljust(size).encode()
    headers = {"Content-Type": "application/json"}
    answer = requests.put(f"{url}/v1/absences", data=body, headers=headers, timeout=60)
    assert answer.status_code == status
    kind = "application/json" if status == 200 else "application/problem+json"
    assert answer.headers["Content-Type"].startswith(kind)


BAD_REQUESTS = {
    "broken first line": (b"GET\r\n\r\n", 400),
    "no HTTP at all": (b"\x16\x03\x01\x02\x00\x01\x00\r\n\r\n", 400),
    "broken header": (b"GET /healthz HTTP/1.1\r\nHost : x\r\n\r\n", 400),
    "two lengths": (
        b"POST /login HTTP/1.1\r\nHost: x\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n",
        400,
    ),
    "length is no number": (b"POST /login HTTP/1.1\r\nHost: x\r\nContent-Length: -1\r\n\r\n", 400),
    "unknown coding": (
        b"POST /login HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: gzip\r\n\r\n",
        501,
    ),
    "long headers": (b"GET /healthz HTTP/1.1\r\nAccept: " + b"a/b," * 20_000 + b"\r\n\r\n", 431),
    "long address": (b"GET /healthz?" + b"a" * 40_000 + b" HTTP/1.1\r\nHost: x\r\n\r\n", 431),
    "long body": (
        b"POST /login HTTP/1.1\r\nHost: x\r\nContent-Length: 20000000\r\n\r\n" + b"x" * 100,
        413,
    ),
    "long body in pieces": (
        b"POST /login HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n"
        b"1100000\r\n" + b"x" * 17 * MIB,
        413,
    ),
    "long form": (
        b"POST /login HTTP/1.1\r\nHost: x\r\nContent-Type: multipart/form-data; boundary=b\r\n"
        b"Content-Length: 40000000\r\n\r\n" + b"x" * 100,
        413,
    ),
    "unknown method": (b"BREW /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n", 405),
    "wrong host": (b"GET /v1/tanks HTTP/1.1\r\nHost: a b@:/\r\n\r\n", 403),
    "no such address": (b"GET /%ff%00%0d%0a HTTP/1.1\r\nHost: localhost\r\n\r\n", 404),
    "expects what there is not": (
        b"GET /nothing HTTP/1.1\r\nHost: localhost\r\nExpect: magic\r\n\r\n",
        404,
    ),
}


@pytest.mark.parametrize(("sent", "status"), BAD_REQUESTS.values(), ids=BAD_REQUESTS)
def test_whatever_refuses_a_request_answers_with_a_problem(url, sent, status):
    port = int(url.rpartition(":")[2])
    with socket.create_connection(("127.0.0.1", port), timeout=60) as connection:
        connection.sendall(sent)
        answer = HTTPResponse(connection)
        answer.begin()
        body = json.loads(answer.read())
    assert answer.status == status == body["status"]
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert PROBLEMS[body["type"].removeprefix("/problems/")].status == status
    assert body["title"] and body["detail"] and body["instance"]
    for name, value in EVERYWHERE.items():
        assert answer.headers[name] == value, name


def test_an_answer_on_its_way_is_sent_whole_before_the_end(monkeypatch):
    """The client reads on only once the server waits for it."""
    app, stop, waited, failed = Flask("large"), threading.Event(), threading.Event(), []
    app.add_url_rule("/", "large", lambda: b"x" * (8 * MIB))

    def sleep(seconds):
        waited.set()
        time.sleep(seconds)

    ours = SimpleNamespace(sleep=sleep, monotonic=time.monotonic)
    monkeypatch.setattr("service.api.server.time", ours)
    server = Server(app, HttpConfig(port=0))

    def run():
        try:
            server.run(stop)
        except BaseException as error:  # noqa: BLE001 - shown below
            failed.append(error)
            waited.set()

    thread = threading.Thread(target=run)
    thread.start()
    with socket.create_connection(("127.0.0.1", server.port)) as client:
        client.settimeout(60)
        client.sendall(b"GET / HTTP/1.0\r\n\r\n")
        received = len(client.recv(1000))
        stop.set()
        assert waited.wait(60)
        while part := client.recv(1_000_000):
            received += len(part)
    thread.join(60)
    assert failed == []
    assert received > 8 * MIB


def test_every_answer_has_the_headers_that_restrict_browsers(app):
    client = app.test_client()
    client.put("/v1/tanks/riffle", json={"name": "Riffle (invented)"})
    seen = set()
    for rule in app.url_map.iter_rules():
        address = rule.rule.replace("<tank>", "riffle").replace("<path:filename>", "littoral.css")
        for method in sorted(rule.methods or ()):
            answer = client.open(address, method=method, json={}, buffered=False)
            answer.close()
            seen.add(answer.status_code)
            for name in EVERYWHERE:
                assert len(answer.headers.getlist(name)) == 1, (method, address, name)
            assert answer.headers["X-Content-Type-Options"] == "nosniff"
            assert "frame-ancestors 'none'" in answer.headers["Content-Security-Policy"]
            if answer.mimetype != "text/html":
                assert "script-src" not in answer.headers["Content-Security-Policy"] or (
                    rule.endpoint.startswith("pages.")
                )
    assert {200, 204, 404, 422} <= seen
