"""Who is let in: tokens and their scopes, this machine without any, other sites, too many tries."""

from __future__ import annotations

import base64
import json
import socket
import threading
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta

import pytest
import requests
from flask import request

from service.api.context import install
from service.api.http.openapi import spec_of
from service.api.server import Server
from service.app.app_factory import create_app
from service.clock import FixedClock
from service.config import HttpConfig
from service.registry.models.access import Scope
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import TANK, put

TRIM = {"kind": "trim"}
CO2 = {
    "ph": 6.8,
    "kh": {"value": 4, "unit": "dKH"},
    "temperature": {"value": 25, "unit": "Cel"},
}


@pytest.fixture
def fresh(context):
    """An application of the test's own, so that nothing is counted yet."""
    return create_app(context)


@pytest.fixture
def bearer(context):
    def make(scope="read", **options):
        _, secret = context.registry.create_token(f"{scope}-token", Scope(scope), NOW, **options)
        return {"Authorization": f"Bearer {secret}"}

    return make


def test_without_any_token_this_machine_is_let_in(client):
    put(client)
    assert client.post("/v1/tanks/riffle/log", json=TRIM).status_code == 201


def test_with_a_token_everybody_needs_one(fresh, bearer):
    client = fresh.test_client()
    put(client)
    read = bearer("read")
    response = client.get("/v1/tanks")
    problem_of(response, 401, "unauthorized")
    assert response.headers["WWW-Authenticate"].startswith("Bearer")
    assert client.get("/v1/tanks", headers=read).status_code == 200
    problem_of(client.post("/v1/calculate/co2", json=CO2), 401, "unauthorized")
    for open_to_all in ("/healthz", "/readyz", "/openapi.json", "/docs", "/problems"):
        assert client.get(open_to_all).status_code == 200


@pytest.mark.parametrize(("scope", "may"), [("read", False), ("write", True), ("admin", True)])
def test_scopes(fresh, bearer, scope, may):
    client = fresh.test_client()
    put(client)
    token = bearer(scope)
    assert client.get("/v1/tanks/riffle", headers=token).status_code == 200
    assert client.post("/v1/calculate/co2", json=CO2, headers=token).status_code == 200
    for method, path, body in (
        (client.post, "/v1/tanks/riffle/log", TRIM),
        (client.put, "/v1/tanks/riffle", TANK),
        (client.patch, "/v1/tanks/riffle", {}),
        (client.put, "/v1/absences", {"absences": []}),
    ):
        response = method(path, json=body, headers=token)
        if may:
            assert response.status_code < 300, (path, response.get_data(as_text=True))
        else:
            assert "needed: write" in problem_of(response, 403, "forbidden")["detail"]
    gone = client.delete("/v1/tanks/riffle", headers=token)
    if scope == "admin":
        assert gone.status_code == 204
    else:
        assert "needed: admin" in problem_of(gone, 403, "forbidden")["detail"]


@pytest.mark.parametrize(
    "header",
    ["", "Bearer", "Bearer ", "Bearer wrong", "Basic dTpw", "Basic !!", "littoral_x_y", "Digest x"],
)
def test_wrong_tokens(fresh, bearer, header):
    bearer()
    response = fresh.test_client().get("/v1/tanks", headers={"Authorization": header})
    problem_of(response, 401, "unauthorized")


def test_expired_and_revoked_tokens(fresh, context, bearer):
    client = fresh.test_client()
    short = bearer("read", expires=NOW + timedelta(hours=1))
    assert client.get("/v1/tanks", headers=short).status_code == 200
    install(fresh, replace(context, clock=FixedClock(NOW + timedelta(hours=2))))
    problem_of(client.get("/v1/tanks", headers=short), 401, "unauthorized")
    long = bearer("write")
    assert client.get("/v1/tanks", headers=long).status_code == 200
    (token,) = [one for one in context.registry.tokens() if one.name == "write-token"]
    context.registry.revoke_token(token.id, NOW)
    problem_of(client.get("/v1/tanks", headers=long), 401, "unauthorized")
    # the door does not open again because the last key is gone
    problem_of(client.get("/v1/tanks"), 401, "unauthorized")


def test_guessing_is_slowed_down(context, bearer):
    http = replace(context.config.http, refusals_per_minute=3)
    app = create_app(replace(context, config=replace(context.config, http=http)))
    client, good = app.test_client(), bearer()
    for _ in range(3):
        wrong = client.get("/v1/tanks", headers={"Authorization": "Bearer wrong"})
        problem_of(wrong, 401, "unauthorized")
    response = client.get("/v1/tanks", headers={"Authorization": "Bearer wrong"})
    problem_of(response, 429, "too-many-requests")
    assert 1 <= int(response.headers["Retry-After"]) <= 60
    # from elsewhere the right token still works
    elsewhere = {"REMOTE_ADDR": "192.0.2.7"}
    assert client.get("/v1/tanks", headers=good, environ_base=elsewhere).status_code == 200
    # and at the same address too, since the wrong ones were not meant for it
    assert client.get("/v1/tanks", headers=good).status_code == 200


def few_refusals(context, number):
    http = replace(context.config.http, refusals_per_minute=number)
    return create_app(replace(context, config=replace(context.config, http=http))).test_client()


def test_guessing_at_one_token_blocks_that_one(context, bearer):
    client = few_refusals(context, 3)
    good, other = bearer("read"), bearer("write")
    guess = {"Authorization": good["Authorization"][:-4] + "AAAA"}
    answers = [client.get("/v1/tanks", headers=guess).status_code for _ in range(4)]
    assert answers == [401, 401, 401, 429]
    # the right one is refused too, or guessing would go on at full speed
    problem_of(client.get("/v1/tanks", headers=good), 429, "too-many-requests")
    assert client.get("/v1/tanks", headers=other).status_code == 200


def test_addresses_of_one_ipv6_network_count_together(context, bearer):
    client = few_refusals(context, 2)
    bearer()
    answers = [
        client.get(
            "/v1/tanks",
            headers={"Authorization": "Bearer x"},
            environ_base={"REMOTE_ADDR": f"2001:db8:1:2::{host}"},
        ).status_code
        for host in range(1, 4)
    ]
    assert answers == [401, 401, 429]


def test_writes_are_limited_by_caller(context, bearer):
    http = replace(context.config.http, writes_per_minute=5)
    app = create_app(replace(context, config=replace(context.config, http=http)))
    client = app.test_client()
    one, other = bearer("write"), bearer("admin")
    for _ in range(5):
        assert client.put("/v1/tanks/riffle", json=TANK, headers=one).status_code < 300
    response = client.put("/v1/tanks/riffle", json=TANK, headers=one)
    assert "5 changes" in problem_of(response, 429, "too-many-requests")["detail"]
    assert int(response.headers["Retry-After"]) >= 1
    assert client.get("/v1/tanks", headers=one).status_code == 200
    assert client.put("/v1/tanks/riffle", json=TANK, headers=other).status_code < 300


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://attacker.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Host": "attacker.example"},
        {"Host": "attacker.example:8600"},
        {"Host": "203.0.113.5"},
    ],
)
def test_a_page_of_the_web_is_not_let_in_without_a_token(client, headers):
    put(client)
    for response in (
        client.get("/v1/tanks", headers=headers),
        client.post("/v1/tanks/riffle/log", json=TRIM, headers=headers),
    ):
        problem_of(response, 403, "forbidden")


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "localhost:8600", "Origin": "http://localhost:8600"},
        {"Host": "127.0.0.1:8600"},
        {"Host": "[::1]:8600", "Sec-Fetch-Site": "same-origin"},
    ],
)
def test_own_names_are_let_in(client, headers):
    assert client.get("/v1/tanks", headers=headers).status_code == 200


def test_a_token_is_enough_from_any_site(fresh, bearer):
    headers = bearer() | {"Origin": "https://elsewhere.example", "Host": "tanks.example"}
    assert fresh.test_client().get("/v1/tanks", headers=headers).status_code == 200


def test_without_any_token_other_machines_are_not_let_in(client):
    afar = {"REMOTE_ADDR": "192.0.2.7"}
    body = problem_of(client.get("/v1/tanks", environ_base=afar), 401, "unauthorized")
    assert "littoral token create" in body["detail"]
    assert client.get("/healthz", environ_base=afar).status_code == 200


def test_basic_reads_only(client, bearer):
    secret = bearer("admin")["Authorization"].removeprefix("Bearer ")
    headers = {"Authorization": "Basic " + base64.b64encode(f"any:{secret}".encode()).decode()}
    assert client.get("/v1/tanks", headers=headers).status_code == 200
    refused = client.put("/v1/tanks/riffle", json=TANK, headers=headers)
    assert "for reading Basic" in problem_of(refused, 401, "unauthorized")["detail"]


@pytest.mark.parametrize("host", ["[::1", "127.0.0.1.attacker.example", "localhost.example", "::"])
def test_odd_hosts(client, host):
    problem_of(client.get("/v1/tanks", headers={"Host": host}), 403, "forbidden")


def test_every_operation_says_what_it_needs(app):
    paths = spec_of(app)["paths"]
    more = {"/v1/audit": "admin", "/v1/broker/topics": "write"}
    for path, item in paths.items():
        for method, operation in item.items():
            if method == "parameters":
                continue
            if not operation["security"]:
                shared = path.startswith("/shared/{secret}")
                assert shared or path in ("/healthz", "/readyz", "/openapi.json")
                continue
            role = operation["security"][0]["bearer"]
            assert role == [more.get(path, "read")] or method != "get"
            assert {"401", "403"} <= set(operation["responses"])
    assert paths["/v1/tanks/{tank}"]["delete"]["security"] == [{"bearer": ["admin"]}]
    assert paths["/v1/tanks/{tank}"]["put"]["security"] == [{"bearer": ["write"]}]
    assert paths["/v1/calculate/co2"]["post"]["security"] == [{"bearer": ["read"]}]


def test_a_trusted_proxy_tells_who_asks_and_a_stranger_does_not(context, bearer):
    """By the real server: behind a proxy each client is one of its own, and TLS is known."""
    token = bearer()
    for trusted, told in (("127.0.0.1", "192.0.2.7 https"), (None, "127.0.0.1 http")):
        with answering(context, HttpConfig(port=0, trusted_proxy=trusted)) as server:
            headers = {"X-Forwarded-For": "192.0.2.7", "X-Forwarded-Proto": "https", **token}
            answer = requests.get(f"{server.url}/who", headers=headers, timeout=60)
            assert answer.text == told


@contextmanager
def answering(context, http):
    """The real server, with an address that says who asks."""
    app = create_app(replace(context, config=replace(context.config, http=http)))
    app.add_url_rule("/who", "who", lambda: f"{request.remote_addr} {request.scheme}")
    server, stop = Server(app, http), threading.Event()
    thread = threading.Thread(target=server.run, args=(stop,))
    thread.start()
    try:
        yield server
    finally:
        stop.set()
        thread.join()


PROXY_HEADERS = (
    "Via: 1.1 proxy.example",
    "Forwarded: for=192.0.2.7",
    "X-Forwarded-For: 192.0.2.7",
    "X-Forwarded-For: 127.0.0.1",
    "x-forwarded-host: tanks.example",
    "X-Forwarded-Proto: https",
    "X-Forwarded-Port: 443",
    "X-Forwarded-Server: tanks.example",
    "X-Forwarded: for=192.0.2.7",
    "X-Real-IP: 192.0.2.7",
    "X-Client-IP: 192.0.2.7",
    "X-Cluster-Client-IP: 192.0.2.7",
    "X-Original-Forwarded-For: 192.0.2.7",
    "X-Original-Host: tanks.example",
)


def test_what_a_proxy_passes_on_is_refused_without_a_token(context):
    """By the real server: also one that rewrites Host to this machine's."""
    with answering(context, HttpConfig(port=0)) as server:
        for header in PROXY_HEADERS:
            status, body = raw(server, "GET /v1/tanks HTTP/1.1", f"Host: 127.0.0.1\r\n{header}")
            assert status == 403, header
            name = header.partition(":")[0].title()
            assert f"a proxy passed the request on (header {name})" in body["detail"]
            assert "littoral token create" in body["detail"]
            assert "http.trusted_proxy" in body["detail"]
        # with a token the headers mean nothing, and do no harm
        _, secret = context.registry.create_token("phone", Scope.READ, NOW)
        for header in PROXY_HEADERS:
            with_token = f"Host: 127.0.0.1\r\nAuthorization: Bearer {secret}\r\n{header}"
            assert raw(server, "GET /v1/tanks HTTP/1.1", with_token)[0] == 200, header


ODD_REQUESTS = (
    ("GET http://127.0.0.1/v1/tanks HTTP/1.1", "127.0.0.1", "names a whole address"),
    ("GET http://attacker.example/v1/tanks HTTP/1.1", "127.0.0.1", "names a whole address"),
    ("GET http://127.0.0.1/v1/tanks HTTP/1.1", "attacker.example", "names a whole address"),
    ("GET /v1/tanks HTTP/1.0", "127.0.0.1", "HTTP/1.0"),
    ("GET /v1/tanks HTTP/1.1", "attacker.example", "Host is 'attacker.example'"),
    ("GET /v1/tanks HTTP/1.1", "attacker@127.0.0.1", "Host is"),
    ("GET /v1/tanks HTTP/1.1", "127.0.0.1@attacker.example", "Host is"),
    ("GET /v1/tanks HTTP/1.1", "127.0.0.1.attacker.example", "Host is"),
    ("GET /v1/tanks HTTP/1.1", "127.0.0.1, attacker.example", "Host is"),
    ("GET /v1/tanks HTTP/1.1", "127.0.0.1/x", "Host is"),
    ("GET /v1/tanks HTTP/1.1", "[::1].attacker.example", "Host is"),
    ("GET /v1/tanks HTTP/1.1", "[127.0.0.1]", "Host is"),
    ("GET /v1/tanks HTTP/1.1", "::1", "Host is"),
    ("GET /v1/tanks HTTP/1.1", "127.0.0.1:99999999", "Host is"),
    ("GET /v1/tanks HTTP/1.1", "127.1", "Host is"),
    ("GET /v1/tanks HTTP/1.1", "0.0.0.0", "Host is"),
    ("GET /v1/tanks HTTP/1.1", "", "Host is ''"),
    ("GET /v1/events HTTP/1.1", "attacker.example", "Host is"),
    ("GET /metrics/ HTTP/1.1", "attacker.example", "Host is"),
)


def test_odd_request_lines_and_hosts_without_a_token(context):
    """By the real server: forms that RFC 9112 3.2 and 7.2 allow, and that attackers write."""
    with answering(context, HttpConfig(port=0)) as server:
        for line, host, detail in ODD_REQUESTS:
            status, body = raw(server, line, f"Host: {host}")
            assert (status, detail in body["detail"]) == (403, True), (line, host, body)
        for host in ("127.0.0.1", "localhost:8600", "LOCALHOST", "[::1]:1", "127.0.0.2"):
            assert raw(server, "GET /v1/tanks HTTP/1.1", f"Host: {host}")[0] == 200, host


def test_a_configured_proxy_needs_a_token(context):
    """A proxy that says nothing of whom it speaks for looks as this machine itself."""
    with answering(context, HttpConfig(port=0, trusted_proxy="127.0.0.1")) as server:
        for headers in ("", "\r\nX-Forwarded-For: 127.0.0.1\r\nX-Forwarded-Host: localhost"):
            status, body = raw(server, "GET /v1/tanks HTTP/1.1", f"Host: 127.0.0.1{headers}")
            assert status == 401
            assert "littoral token create" in body["detail"]


def raw(server, line, headers):
    """Status and JSON of a request that is sent as it is written."""
    with socket.create_connection(("127.0.0.1", server.port), timeout=60) as wire:
        wire.sendall(f"{line}\r\n{headers}\r\nConnection: close\r\n\r\n".encode())
        answer = b"".join(iter(lambda: wire.recv(65536), b""))
    head, _, body = answer.partition(b"\r\n\r\n")
    return int(head.split()[1]), json.loads(body)
