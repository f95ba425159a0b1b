"""The real server under clients that hold connections and send nothing, or a byte at a time."""

from __future__ import annotations

import contextlib
import http.client
import select
import socket
import threading
from collections.abc import Iterator
from dataclasses import replace

import pytest
import requests

from service.api.connections import UNFINISHED_BYTES, Deadlines
from service.api.server import Server
from service.app.app_factory import create_app
from service.config import Config, HttpConfig
from tests.servers import wait_until

HEAD = b"POST /v1/calculate/co2 HTTP/1.1\r\nHost: 127.0.0.1\r\n"
BODY = HEAD + b"Content-Type: application/json\r\nContent-Length: 100000\r\n\r\n{"
PATIENCE_S = 60
QUICK = Deadlines(header_s=0.3, body_s=0.6, send_s=0.3, idle_s=600)


@pytest.fixture
def serve(context):
    """``serve(deadlines, **http)``: the port of a server with those limits."""
    running = []

    def start(deadlines=None, **http):
        stop, config = threading.Event(), HttpConfig(port=0, **http)
        served = replace(context, config=Config(http=config), stopping=stop)
        server = Server(create_app(served), config, deadlines)
        thread = threading.Thread(target=server.run, args=(stop,))
        thread.start()
        running.append((stop, thread))
        return server.port

    yield start
    for stop, thread in running:
        stop.set()
        thread.join()


@pytest.fixture
def hold():
    """``hold(port, number, first=b"", source)``: open connections, which send so much and wait."""
    with contextlib.ExitStack() as held:

        def open_all(port, number, first=b"", source="127.0.0.1"):
            found = []
            for _ in range(number):
                one = socket.create_connection(
                    ("127.0.0.1", port), timeout=PATIENCE_S, source_address=(source, 0)
                )
                held.enter_context(one)
                one.sendall(first)
                found.append(one)
            return found

        yield open_all


def is_open(one: socket.socket) -> bool:
    """Whether the server has not closed a connection on which it has nothing to say."""
    with contextlib.suppress(ConnectionResetError):
        return not select.select([one], [], [], 0)[0] or one.recv(1) != b""
    return False


@contextlib.contextmanager
def dribbling(connections: list[socket.socket]) -> Iterator[threading.Event]:
    """Send one byte on each again and again, as long as they are open; set after each round."""
    stop, round_done = threading.Event(), threading.Event()

    def dribble() -> None:
        live = list(connections)
        while not stop.wait(0.02):
            for one in list(live):
                try:
                    one.send(b"a")
                except OSError:
                    live.remove(one)
            round_done.set()

    thread = threading.Thread(target=dribble)
    thread.start()
    try:
        yield round_done
    finally:
        stop.set()
        thread.join()


def answered(port: int, source: str = "127.0.0.1") -> bool:
    """Whether an ordinary request on a connection of its own is answered."""
    with socket.create_connection(
        ("127.0.0.1", port), timeout=PATIENCE_S, source_address=(source, 0)
    ) as one:
        one.sendall(b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n")
        return one.makefile("rb").readline().startswith(b"HTTP/1.1 200")


def test_two_hundred_idle_and_fifty_dribbling_clients_block_nobody(serve, hold):
    port = serve()
    hold(port, 200)
    slow = hold(port, 25, HEAD) + hold(port, 25, BODY)
    with dribbling(slow) as round_done:
        assert round_done.wait(PATIENCE_S)
        assert answered(port)
        assert requests.get(f"http://127.0.0.1:{port}/v1/tanks", timeout=PATIENCE_S).ok


def test_one_address_loses_its_own_oldest_connections_and_nobody_elses(serve, hold):
    port = serve(connections_per_address=10, listeners=0)
    (guest,) = hold(port, 1, source="127.0.0.3")
    greedy = hold(port, 30, source="127.0.0.2")
    wait_until(lambda: sum(map(is_open, greedy)) <= 10, PATIENCE_S)
    assert answered(port, "127.0.0.2"), "the newest of an address is served, its oldest goes"
    assert not any(map(is_open, greedy[:20]))
    assert is_open(guest)


def test_many_addresses_together_are_bounded_and_the_oldest_gives_way(serve, hold):
    port = serve(connections=40, connections_per_address=10, listeners=0)
    held = [one for last in range(2, 12) for one in hold(port, 9, source=f"127.0.0.{last}")]
    wait_until(lambda: sum(map(is_open, held)) <= 40, PATIENCE_S)
    assert answered(port, "127.0.0.50")
    assert not is_open(held[0])


def test_the_trusted_proxy_may_hold_more_than_one_address(serve, hold):
    port = serve(connections_per_address=5, listeners=0, trusted_proxy="127.0.0.1")
    held = hold(port, 30)
    assert answered(port)
    assert all(map(is_open, held))


@pytest.mark.parametrize("first", [HEAD[:1], HEAD, BODY], ids=["first byte", "header", "body"])
def test_a_request_that_is_sent_a_byte_at_a_time_has_an_end(serve, hold, first):
    port = serve(QUICK)
    (quiet,) = hold(port, 1)
    slow = hold(port, 3, first)
    with dribbling(slow):
        wait_until(lambda: not any(map(is_open, slow)), PATIENCE_S)
    assert is_open(quiet)


def test_a_long_body_may_take_longer_than_a_header(serve, hold):
    port = serve(Deadlines(header_s=0.3, body_s=600, send_s=600, idle_s=600))
    header, body = hold(port, 1, HEAD) + hold(port, 1, BODY)
    with dribbling([header, body]):
        wait_until(lambda: not is_open(header), PATIENCE_S)
        assert is_open(body)


def test_who_does_not_read_the_answer_is_dropped(serve, hold):
    """Not only while its request is worked on: also when the answer waits in the server."""
    port = serve(QUICK)
    ask = b"GET /openapi.json HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    (greedy,) = hold(port, 1)
    greedy.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    dropped = False
    while not dropped:  # answers that nobody fetches fill the buffers of both ends
        try:
            greedy.sendall(ask)
        except ConnectionError:
            dropped = True
    assert answered(port)


def test_unfinished_bodies_together_are_bounded(serve, hold):
    port = serve()
    size = 15 * 1024 * 1024
    head = HEAD + f"Content-Length: {size + 1}\r\n\r\n".encode()
    (small,) = hold(port, 1, BODY)
    large = hold(port, 8, head)
    for one in large:
        with contextlib.suppress(ConnectionError):
            one.sendall(b" " * size)
    wait_until(lambda: sum(map(is_open, large)) * size <= UNFINISHED_BYTES, PATIENCE_S)
    assert is_open(small)
    assert answered(port)


def test_one_address_cannot_take_all_places_of_listeners(serve):
    port = serve(listeners=4, listeners_per_address=2)

    def listen(source: str) -> http.client.HTTPResponse:
        client = http.client.HTTPConnection(
            "127.0.0.1", port, timeout=PATIENCE_S, source_address=(source, 0)
        )
        client.request("GET", "/v1/events", headers={"Accept": "text/event-stream"})
        return client.getresponse()

    greedy = [listen("127.0.0.2") for _ in range(3)]
    other = listen("127.0.0.3")
    assert [answer.status for answer in (*greedy, other)] == [200, 200, 503, 200]
    assert b"2 listeners are connected from one address" in greedy[2].read()
    for answer in (*greedy, other):
        answer.close()
