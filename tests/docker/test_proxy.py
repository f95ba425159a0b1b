"""The shipped proxy configuration, on a real nginx before a real Littoral: used, and attacked."""

from __future__ import annotations

import contextlib
import http.client
import json
import re
import socket
import ssl
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from urllib.parse import urlencode

import pytest

from service.api.events.stream import HEARTBEAT_S
from service.api.http.blueprint import LIST_BYTES, PICTURES_BYTES
from service.registry.models.events import NewEvent
from service.registry.models.tank import Tank
from tests.docker.shipped_proxy import NAME, PATIENCE_S, SHIPPED, Littoral, ShippedProxy, bearer
from tests.servers import HOST, wait_until

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")
HEAD = f"POST /v1/calculate/co2 HTTP/1.1\r\nHost: {NAME}\r\n".encode()
BODY = HEAD + b"Content-Type: application/json\r\nContent-Length: 60000\r\n\r\n{"


@pytest.fixture(scope="module")
def littoral(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Littoral]:
    made = Littoral(tmp_path_factory.mktemp("littoral"))
    yield made
    made.stop()


@pytest.fixture(scope="module")
def proxy(tmp_path_factory: pytest.TempPathFactory, littoral: Littoral) -> Iterator[ShippedProxy]:
    server = ShippedProxy(tmp_path_factory.mktemp("nginx"), littoral)
    server.start()
    yield server
    server.stop()
    assert "[emerg]" not in server.log


def raw_ask(port: int, text: str) -> bytes:
    """What comes back for some bytes over plain TCP."""
    with socket.create_connection((HOST, port), PATIENCE_S) as one:
        one.sendall(text.encode())
        return one.recv(65_536)


@pytest.mark.needs("nginx")
def test_a_request_with_a_token_is_answered_over_tls(
    proxy: ShippedProxy, littoral: Littoral
) -> None:
    assert proxy.ask("GET", "/v1/tanks").status == 401
    answer = proxy.ask("GET", "/v1/tanks", **bearer(littoral))
    assert (answer.status, json.load(answer)["tanks"]) == (200, [])


def made_link(proxy: ShippedProxy, littoral: Littoral) -> str:
    """The path of a fresh link that takes reports, made through the proxy; the tank is invented."""
    if "brook" not in littoral.registry.tank_ids():
        littoral.registry.put_tank(Tank("brook", "Brook", net_volume_l=120.0))
    body = {"tank": "brook", "length": "P3D", "name": "Ada", "may_report": True}
    headers = bearer(littoral) | {"Content_Type": "application/json"}
    answer = proxy.ask("POST", "/v1/shares", json.dumps(body).encode(), **headers)
    assert answer.status == 201
    url = str(json.load(answer)["url"])
    assert url.startswith(f"https://{NAME}/shared/sheet_"), "as it is reached from outside"
    return url.removeprefix(f"https://{NAME}")


def test_a_colleague_reports_by_a_link_over_tls(proxy: ShippedProxy, littoral: Littoral) -> None:
    """Page, manifest, worker and a tick through the proxy; it is recorded from whose address."""
    path = made_link(proxy, littoral)
    page = proxy.ask("GET", path, Accept="text/html", source="127.0.0.13")
    assert page.status == 200 and b"In an emergency" in page.read()
    assert "manifest-src 'self'" in str(page.getheader("Content-Security-Policy"))
    worker = proxy.ask("GET", f"{path}/worker.js")
    assert (worker.status, worker.getheader("Service-Worker-Allowed")) == (200, path)
    manifest = json.load(proxy.ask("GET", f"{path}/app.webmanifest"))
    assert manifest["start_url"] == path
    offered = json.load(proxy.ask("GET", f"{path}/tasks"))["tasks"]
    report = {"task": offered[0]["task"], "key": "tick-over-tls"}
    headers = {"Content_Type": "application/json", "Origin": f"https://{NAME}"}
    sent = [
        proxy.ask("POST", f"{path}/reports", json.dumps(report).encode(), "127.0.0.13", **headers)
        for _ in range(2)
    ]
    assert [json.load(one)["fresh"] for one in sent] == [True, False]
    elsewhere = headers | {"Origin": "https://attacker.example"}
    refused = proxy.ask("POST", f"{path}/reports", json.dumps(report).encode(), **elsewhere)
    assert refused.status == 403
    [entry] = littoral.registry.log("brook")
    assert entry.by == "Ada"
    [record, *_] = littoral.registry.audit()
    assert (record.actor.name, record.actor.address) == ("Ada", "127.0.0.13")


def test_the_secret_of_a_link_is_not_in_the_access_log(
    proxy: ShippedProxy, littoral: Littoral
) -> None:
    path = made_link(proxy, littoral)
    for address in (path, f"{path}.ics", f"{path}/tasks?x=1", f"{path}x", "/login?next=/tanks"):
        proxy.ask("GET", address, Accept="text/html", Referer=f"https://{NAME}{path}")
    wait_until(lambda: "/login?next=" in proxy.access_log.read_text(), PATIENCE_S, lambda: "log")
    log = proxy.access_log.read_text()
    for words in ('/shared/SECRET"', '/shared/SECRET.ics"', '/shared/SECRET/tasks?x=1"'):
        assert f'"GET {words}' in log
    assert path.split("_", 2)[2] not in log and path not in log


def test_links_alone_can_be_opened_to_the_internet(
    tmp_path_factory: pytest.TempPathFactory, littoral: Littoral, proxy: ShippedProxy
) -> None:
    """With the three lines that the file has for it: no log-in, no API, no document."""
    narrow = ShippedProxy(tmp_path_factory.mktemp("narrow"), littoral, links_only=True)
    narrow.start()
    try:
        path = made_link(proxy, littoral)
        assert narrow.ask("GET", path, Accept="text/html").status == 200
        assert narrow.ask("GET", f"{path}/tasks").status == 200
        assert narrow.ask("GET", "/pages/static/shared/round.js").status == 200
        for closed in (
            "/",
            "/login",
            "/v1/tanks",
            "/docs",
            "/metrics",
            "/healthz",
            "/shared",
            "/shared/../v1/tanks",
            "/shared/%2e%2e/v1/tanks",
            "/pages/static/..%2f..%2fv1/tanks",
            "//v1/tanks",
        ):
            answer = narrow.ask("GET", closed, **bearer(littoral))
            assert answer.status in (301, 400, 404), closed
            assert b"brook" not in answer.read(), closed
    finally:
        narrow.stop()


def log_in(proxy: ShippedProxy, secret: str) -> http.client.HTTPResponse:
    page = proxy.ask("GET", "/login")
    text = page.read().decode()
    (token,) = re.findall(r'name="csrf_token"[^>]*value="([^"]+)"', text)
    cookie = page.getheader("Set-Cookie", "").partition(";")[0]
    form = urlencode({"csrf_token": token, "secret": secret}).encode()
    return proxy.ask(
        "POST", "/login", form, Cookie=cookie, Origin=f"https://{NAME}",
        Referer=f"https://{NAME}/login", Content_Type="application/x-www-form-urlencoded",
    )  # fmt: skip


def test_logging_in_gives_a_cookie_for_tls_alone(proxy: ShippedProxy, littoral: Littoral) -> None:
    answer = log_in(proxy, littoral.secret)
    assert answer.status in (302, 303)
    assert answer.getheader("Location") in ("/", f"https://{NAME}/")
    cookie = answer.getheader("Set-Cookie", "")
    assert {"Secure", "HttpOnly", "SameSite=Strict"} <= set(cookie.split("; "))
    page = proxy.ask("GET", "/", Cookie=cookie.partition(";")[0])
    assert page.status == 200


def test_each_security_header_stands_once(proxy: ShippedProxy) -> None:
    for path in ("/login", "/healthz", "/v1/tanks", "/nowhere"):
        names = [name.lower() for name, _ in proxy.ask("GET", path).getheaders()]
        single = [name for name in names if name != "set-cookie"]
        assert len(set(single)) == len(single), path
        assert "strict-transport-security" in names
    login = proxy.ask("GET", "/login")
    assert login.getheader("Strict-Transport-Security") == "max-age=31536000"
    for name in ("Content-Security-Policy", "X-Content-Type-Options", "Referrer-Policy"):
        assert login.getheader(name)
    assert login.getheader("Server") == "nginx", "without its version"


def test_plain_http_leads_to_tls(proxy: ShippedProxy) -> None:
    answer = raw_ask(proxy.plain_port, f"GET /a?b=c HTTP/1.1\r\nHost: {NAME}\r\n\r\n").decode()
    assert answer.startswith("HTTP/1.1 308 ")
    assert f"\r\nLocation: https://{NAME}/a?b=c\r\n" in answer


def test_another_name_is_not_answered(proxy: ShippedProxy, littoral: Littoral) -> None:
    request = "GET /healthz HTTP/1.1\r\nHost: evil.example\r\n\r\n"
    assert raw_ask(proxy.plain_port, request) == b""
    proxy.trust.check_hostname = False
    try:
        with pytest.raises(ssl.SSLError):
            proxy.open(name="evil.example")
    finally:
        proxy.trust.check_hostname = True
    # The name of the handshake is right, that of the request is not.
    with proxy.open(first=request.encode()) as one, contextlib.suppress(ConnectionResetError):
        assert not one.recv(1000).startswith(b"HTTP/1.1 200")
    absolute = f"GET https://{NAME}/login HTTP/1.1\r\nHost: evil.example\r\n\r\n".encode()
    with proxy.open(first=absolute) as one:
        assert b"evil.example" not in one.recv(65_536)


def test_a_forged_address_counts_for_nothing(proxy: ShippedProxy) -> None:
    """Guessing from one address stays one address, whatever the guesser says of itself."""
    statuses = []
    for number in range(12):
        told = f"198.51.100.{number}"
        answer = proxy.ask(
            "GET", "/v1/tanks", source="127.0.0.9", Authorization="Bearer littoral_guess",
            X_Forwarded_For=told, Forwarded=f"for={told}", X_Real_IP=told, X_Forwarded_Host=told,
        )  # fmt: skip
        statuses.append(answer.status)
    assert statuses == [401] * 10 + [429] * 2
    other = proxy.ask(
        "GET", "/v1/tanks", source="127.0.0.10", Authorization="Bearer littoral_guess"
    )
    assert other.status == 401, "another address is another guesser"


def test_events_pass_at_once(proxy: ShippedProxy, littoral: Littoral) -> None:
    headers = bearer(littoral) | {"Accept": "text/event-stream"}
    stream = proxy.ask("GET", "/v1/events", **headers)
    assert stream.getheader("Content-Type", "").startswith("text/event-stream")
    assert stream.readline() == b"retry: 3000\n"
    littoral.registry.add_events(
        [NewEvent("recommendation.opened", "r1", "reed", datetime.now(UTC), {"title": "x"})]
    )
    lines = iter(stream.readline, b"")
    assert any(line == b"event: recommendation.opened\n" for line in lines)
    stream.close()


def test_a_body_is_taken_up_to_the_limit_of_the_service(
    proxy: ShippedProxy, littoral: Littoral
) -> None:
    headers = bearer(littoral) | {"Content_Type": "application/json"}
    body = b'{"absences": []}'.ljust(LIST_BYTES)
    assert proxy.ask("PUT", "/v1/absences", body, **headers).status == 200
    with proxy.open() as one:
        one.sendall(HEAD + f"Content-Length: {PICTURES_BYTES + 1}\r\n\r\n".encode())
        assert one.recv(12) == b"HTTP/1.1 413"


@contextlib.contextmanager
def held(proxy: ShippedProxy, number: int, first: bytes = b"") -> Iterator[list[ssl.SSLSocket]]:
    """So many connections; those that have begun a request send a byte more now and then."""
    found = [proxy.open(HOST, first) for _ in range(number)]
    stop = threading.Event()

    def dribble() -> None:
        while first and not stop.wait(0.05):
            for one in found:
                with contextlib.suppress(OSError):
                    one.send(b"a")

    thread = threading.Thread(target=dribble)
    thread.start()
    yield found
    stop.set()
    thread.join()
    for one in found:
        one.close()


def test_slow_clients_keep_nobody_out_and_never_reach_the_service(
    proxy: ShippedProxy, littoral: Littoral
) -> None:
    with held(proxy, 140), held(proxy, 30, HEAD), held(proxy, 30, BODY):
        answer = proxy.ask("GET", "/v1/tanks", **bearer(littoral))
        assert answer.status == 200
        assert littoral.connections <= 8, "those that nginx keeps for later"


def test_one_address_has_so_many_requests_at_the_same_time(
    proxy: ShippedProxy, littoral: Littoral
) -> None:
    with contextlib.ExitStack() as stack:
        greedy = [stack.enter_context(proxy.open("127.0.0.11", BODY)) for _ in range(80)]
        refused: set[ssl.SSLSocket] = set()

        def look() -> int:
            """How many were refused; those that are let in wait for the rest of their body."""
            refused.update(one for one in greedy if one not in refused and _is_refused(one))
            return len(refused)

        wait_until(lambda: look() >= 80 - 64, PATIENCE_S, lambda: f"{len(refused)} are refused")
        assert proxy.ask("GET", "/healthz", source="127.0.0.11").status == 429
        answer = proxy.ask("GET", "/v1/tanks", source="127.0.0.12", **bearer(littoral))
        assert answer.status == 200
        assert look() == 80 - 64


def _is_refused(one: ssl.SSLSocket) -> bool:
    one.setblocking(False)
    with contextlib.suppress(ssl.SSLWantReadError):
        return one.recv(12) == b"HTTP/1.1 429"
    return False


def test_the_file_says_what_the_service_says() -> None:
    text = (SHIPPED / "littoral.conf").read_text()
    assert f"client_max_body_size  {PICTURES_BYTES // 1024 // 1024}m;" in text
    (patience_s,) = map(int, re.findall(r"proxy_read_timeout (\d+)s;", text))
    assert patience_s >= 3 * HEARTBEAT_S
    assert "proxy_buffering off" not in text
    assert "proxy_request_buffering off" not in text
