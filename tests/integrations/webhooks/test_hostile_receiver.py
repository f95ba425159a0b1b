"""Receivers that answer with nonsense, without end or drop by drop: an attempt ends, others go on.

The receiver is a plain socket, since no HTTP server would send such answers.
"""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import pytest
import trustme

from service.integrations.delivery_queue import LONGEST_REASON, Outcome
from service.integrations.webhooks.checked_address import CheckedSession
from service.integrations.webhooks.delivery import Webhook
from service.integrations.webhooks.post import post
from service.integrations.webhooks.target import WebhookTarget
from service.registry.models.events import DeliveryState, NewEvent
from service.registry.registry import Registry
from tests.integrations.webhooks.invented import (
    EVENT,
    KEY,
    LOOPBACK,
    NOW,
    OPTIONS,
    StepClock,
)

Answer = Callable[[socket.socket, threading.Event], None]
ENOUGH_BYTES = 4_000_000


def fixed(answer: bytes) -> Answer:
    def send(peer: socket.socket, over: threading.Event) -> None:
        peer.sendall(answer)

    return send


def endless(head: bytes, more: bytes, every_s: float = 0.0) -> Answer:
    def send(peer: socket.socket, over: threading.Event) -> None:
        peer.sendall(head)
        while not over.wait(every_s):
            peer.sendall(more)

    return send


@contextmanager
def receiver(answer: Answer, tls: ssl.SSLContext | None = None) -> Iterator[int]:
    """The port of a receiver that gives each request this answer."""
    over = threading.Event()

    def serve(peer: socket.socket) -> None:
        with suppress(OSError), peer:
            whole = peer if tls is None else tls.wrap_socket(peer, server_side=True)
            whole.recv(65_536)
            answer(whole, over)
            whole.shutdown(socket.SHUT_WR)
            whole.recv(1)

    def accept() -> None:
        with suppress(OSError):
            while True:
                threading.Thread(target=serve, args=(server.accept()[0],), daemon=True).start()

    with socket.create_server(("127.0.0.1", 0)) as server:
        threading.Thread(target=accept, daemon=True).start()
        try:
            yield server.getsockname()[1]
        finally:
            over.set()
            server.shutdown(socket.SHUT_RDWR)


def outcome_of(answer: Answer, deadline_s: float = 1.0) -> Outcome:
    with receiver(answer) as port, CheckedSession(LOOPBACK) as session:
        options = replace(OPTIONS, url=f"http://127.0.0.1:{port}/", allow_networks=LOOPBACK)
        target = WebhookTarget("hook", KEY, options)
        return post(session, target, EVENT, NOW, deadline_s)


def head(status: str, *lines: str) -> bytes:
    return "\r\n".join([f"HTTP/1.1 {status}", *lines, "", ""]).encode()


def test_a_redirect_without_end_is_not_read() -> None:
    lines = ("Location: http://127.0.0.1/", "Transfer-Encoding: chunked")
    outcome = outcome_of(endless(head("302 Found", *lines), b"8000\r\n" + bytes(32768) + b"\r\n"))
    assert outcome.error == "HTTP 302: redirects are not followed; configure the final address"


def test_a_body_without_end_is_not_read() -> None:
    assert outcome_of(endless(head("200 OK"), bytes(32_768))).delivered


@pytest.mark.parametrize(
    "answer",
    [
        endless(b"HTTP/1.1 200 OK\r\nX-Slow: ", b"x", every_s=0.1),
        endless(b"", head("100 Continue"), every_s=0.01),
    ],
    ids=["a header drop by drop", "100 Continue for ever"],
)
def test_an_answer_drop_by_drop_ends_at_the_deadline(answer: Answer) -> None:
    assert outcome_of(answer, 0.5) == Outcome(False, error="no whole answer within 0.5 s")


def test_so_it_does_under_tls(tmp_path: Path) -> None:
    ca, context = trustme.CA(), ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    ca.issue_cert("127.0.0.1").configure_cert(context)
    ca_file = tmp_path / "ca.pem"
    ca.cert_pem.write_to_path(str(ca_file))
    slow = endless(b"HTTP/1.1 200 OK\r\nX-Slow: ", b"x", every_s=0.1)
    with receiver(slow, context) as port, CheckedSession(LOOPBACK, str(ca_file)) as session:
        options = replace(OPTIONS, url=f"https://127.0.0.1:{port}/", allow_networks=LOOPBACK)
        outcome = post(session, WebhookTarget("hook", KEY, options), EVENT, NOW, 0.5)
    assert outcome == Outcome(False, error="no whole answer within 0.5 s")


@pytest.mark.parametrize(
    "answer",
    [
        fixed(b"\x1b[2J" * 20_000 + b"\r\n\r\n"),
        fixed(head("200 OK", *(f"X-{n}: y" for n in range(200)))),
        fixed(head("200 OK", "X: " + "y" * 70_000)),
        fixed(b"HTTP/1.1 2147483648999999999999 OK\r\n\r\n"),
        fixed(b"HTTP/1.1 " + b"9" * 5_000 + b" OK\r\n\r\n"),
        fixed(b""),
        fixed(head("302 Found", "Location: http://[/", "Content-Length: 0")),
    ],
    ids=["escapes", "many headers", "long header", "status", "long status", "nothing", "location"],
)
def test_nonsense_is_a_failed_attempt_with_a_short_reason(answer: Answer) -> None:
    outcome = outcome_of(answer)
    assert not outcome.delivered
    assert 0 < len(outcome.error) < LONGEST_REASON + 50
    assert outcome.error.isprintable()


@pytest.mark.parametrize("asked", ["9" * 5_000, "-1", f"{'9' * 5_000} Dec", "x" * 60_000])
def test_no_retry_after_ends_the_deliveries(registry: Registry, asked: str) -> None:
    """The bad answer belongs to one event: it is put off, and the next one goes out."""
    clock = StepClock()
    answers = [head("503 Busy", f"Retry-After: {asked}", "Content-Length: 0"), head("204 Yes")]

    def answer(peer: socket.socket, over: threading.Event) -> None:
        peer.sendall(answers.pop(0) if len(answers) > 1 else answers[0])

    with receiver(answer) as port:
        options = replace(OPTIONS, url=f"http://127.0.0.1:{port}/", allow_networks=LOOPBACK)
        webhook = Webhook(WebhookTarget("hook", KEY, options), registry, clock, lambda: 1.0)
        webhook.deliver_due()
        registry.add_events(
            [NewEvent("recommendation.opened", name, "reed", NOW, {}) for name in ("a", "b")]
        )
        assert webhook.deliver_due() == 2
    states = {one.event.subject: one.state for one in registry.deliveries()}
    assert states == {"a": DeliveryState.WAITING, "b": DeliveryState.DELIVERED}
