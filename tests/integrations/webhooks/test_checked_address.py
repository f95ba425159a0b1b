"""Webhooks go to addresses that are allowed, and to no other that a name may turn to."""

from __future__ import annotations

import socket
import ssl
from ipaddress import ip_network
from pathlib import Path
from typing import Any

import pytest
import requests
import trustme

from service.integrations.webhooks.checked_address import (
    AddressRefusedError,
    CheckedSession,
    checked,
)
from tests.integrations.webhooks.receiver import Receiver

LOOPBACK = [ip_network("127.0.0.0/8")]


def resolve_to(monkeypatch: pytest.MonkeyPatch, *addresses: str) -> list[str]:
    """Let every name resolve to these addresses; returns the names asked for."""
    asked = []
    real = socket.getaddrinfo

    def fake(host: str, port: int, *args: Any, **kwargs: Any) -> Any:
        if host in addresses:
            return real(host, port, *args, **kwargs)
        asked.append(host)
        return [one for address in addresses for one in real(address, port, *args, **kwargs)]

    monkeypatch.setattr(socket, "getaddrinfo", fake)
    return asked


def test_one_private_address_refuses_the_whole_name(monkeypatch: pytest.MonkeyPatch) -> None:
    resolve_to(monkeypatch, "193.0.14.129", "10.0.0.7")
    with pytest.raises(AddressRefusedError, match=r"hook\.example is 10\.0\.0\.7; allowed: public"):
        checked("hook.example", 443, [], plain=False)


def test_an_allowed_network_is_allowed(monkeypatch: pytest.MonkeyPatch) -> None:
    resolve_to(monkeypatch, "193.0.14.129", "10.0.0.7")
    allowed = [ip_network("10.0.0.0/29")]
    assert checked("hook.example", 443, allowed, plain=False) == ["193.0.14.129", "10.0.0.7"]


def test_without_tls_only_allowed_networks_count(monkeypatch: pytest.MonkeyPatch) -> None:
    resolve_to(monkeypatch, "193.0.14.129")
    with pytest.raises(AddressRefusedError, match="allowed without TLS: addresses in allow_net"):
        checked("hook.example", 80, LOOPBACK, plain=True)


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "0x7f.1", "2130706433", "[::1]"])
def test_the_loopback_is_refused_however_it_is_written(host: str) -> None:
    with Receiver() as receiver, CheckedSession([]) as sender:
        with pytest.raises((AddressRefusedError, requests.ConnectionError)):
            sender.post(f"http://{host}:{receiver.port}/", timeout=60)
        assert receiver.received == []


def test_the_connection_goes_to_the_address_that_was_checked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A name that turns to another address right after the check leads nowhere new."""
    answers = iter(["127.0.0.1", "127.0.0.2"])
    asked = []
    real = socket.getaddrinfo

    def turning(host: str, port: int, *args: Any, **kwargs: Any) -> Any:
        if host != "hook.example":
            return real(host, port, *args, **kwargs)
        asked.append(host)
        return real(next(answers), port, *args, **kwargs)

    monkeypatch.setattr(socket, "getaddrinfo", turning)
    only_first = [ip_network("127.0.0.1/32")]
    with Receiver() as receiver, CheckedSession(only_first) as sender:
        answer = sender.post(f"http://hook.example:{receiver.port}/x", data=b"1", timeout=60)
        assert answer.status_code == 204
        assert asked == ["hook.example"]
        assert receiver.received[0].headers["Host"] == f"hook.example:{receiver.port}"


def test_the_next_address_is_tried_when_one_does_not_answer(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    resolve_to(monkeypatch, "127.0.0.9", "127.0.0.1")
    with Receiver() as receiver, CheckedSession(LOOPBACK) as sender:
        answer = sender.post(f"http://hook.example:{receiver.port}/", data=b"1", timeout=60)
        assert answer.status_code == 204


def test_a_proxy_of_the_environment_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    with Receiver() as proxy, Receiver() as receiver, CheckedSession(LOOPBACK) as sender:
        monkeypatch.setenv("HTTP_PROXY", f"http://127.0.0.1:{proxy.port}")
        monkeypatch.setenv("http_proxy", f"http://127.0.0.1:{proxy.port}")
        sender.post(receiver.url, data=b"1", timeout=60)
        assert (len(proxy.received), len(receiver.received)) == (0, 1)


@pytest.fixture
def authority(tmp_path: Path) -> tuple[trustme.CA, str]:
    authority = trustme.CA()
    path = tmp_path / "ca.pem"
    authority.cert_pem.write_to_path(str(path))
    return authority, str(path)


def tls_of(authority: trustme.CA, name: str) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(name).configure_cert(context)
    return context


def test_tls_is_checked_against_the_name_and_not_the_address(
    monkeypatch: pytest.MonkeyPatch, authority: tuple[trustme.CA, str]
) -> None:
    resolve_to(monkeypatch, "127.0.0.1")
    ca, ca_file = authority
    with Receiver(tls=tls_of(ca, "hook.example")) as receiver:
        with CheckedSession(LOOPBACK, ca_file) as sender:
            url = f"https://hook.example:{receiver.port}/"
            assert sender.post(url, data=b"1", timeout=60).status_code == 204
            with pytest.raises(requests.exceptions.SSLError):
                sender.post(f"https://other.example:{receiver.port}/", data=b"1", timeout=60)
        with CheckedSession(LOOPBACK) as stranger, pytest.raises(requests.exceptions.SSLError):
            stranger.post(url, data=b"1", timeout=60)
        assert len(receiver.received) == 1
