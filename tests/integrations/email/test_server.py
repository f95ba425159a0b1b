"""Handing mail to a real SMTP server: TLS, login, refusals, and a server that is away or slow."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable
from contextlib import suppress
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
import trustme

from service.config import EmailOptions, MailServer
from service.errors import ConfigError
from service.integrations.delivery_queue import Outcome
from service.integrations.email.server import LOGIN_WAIT, check_files, send
from tests.integrations.email.conftest import ANA
from tests.integrations.email.smtp_server import MailReceiver

Tls = Callable[..., ssl.SSLContext]


def options_of(port: int, security: Any = "none", **more: Any) -> EmailOptions:
    server = MailServer("127.0.0.1", port, security)
    return EmailOptions(server, "littoral@example.org", (ANA,), **more)


def sent(options: EmailOptions) -> Outcome:
    message = EmailMessage()
    message["From"], message["To"], message["Subject"] = options.sender, ANA.to, "Reed bed"
    message.set_content("Change 63 L.\n.\nA line with a dot alone before this one.\n")
    return send(options, message, ANA.to)


@pytest.mark.parametrize("from_first_byte", [True, False])
def test_mail_goes_over_tls_with_a_login(
    tls: Tls, authority: tuple[trustme.CA, str], from_first_byte: bool, tmp_path: Path
) -> None:
    (tmp_path / "password").write_text("pond water\n")
    more = {
        "username": "littoral",
        "password_file": str(tmp_path / "password"),
        "ca_file": authority[1],
    }
    security = "tls" if from_first_byte else "starttls"
    with MailReceiver(tls(), from_first_byte, password="pond water") as receiver:
        assert sent(options_of(receiver.port, security, **more)) == Outcome(True)
    [one] = receiver.received
    assert one.over_tls and receiver.logins == [b"pond water"]
    assert (one.sender, one.recipients) == ("littoral@example.org", ["ana@example.org"])
    assert one.text().splitlines()[1] == "."


def test_a_server_without_tls_or_with_anothers_certificate_gets_nothing(
    tls: Tls, authority: tuple[trustme.CA, str]
) -> None:
    login = {"username": "littoral", "password": "pond water", "ca_file": authority[1]}
    with MailReceiver(password="pond water") as plain:
        outcome = sent(options_of(plain.port, "starttls", **login))
        assert "STARTTLS extension not supported" in outcome.error
    for from_first_byte, security in ((True, "tls"), (False, "starttls")):
        with MailReceiver(tls("other.example"), from_first_byte, password="x") as other:
            outcome = sent(options_of(other.port, security, **login))
        assert outcome.error.startswith("TLS failed"), outcome
        assert not outcome.gone
        assert plain.received == other.received == []
        assert plain.logins == other.logins == []


def test_a_wrong_password_is_said_without_it_and_tried_again_later(
    tls: Tls, authority: tuple[trustme.CA, str], tmp_path: Path
) -> None:
    """RFC 4954, 6: 535 is a permanent refusal of the credentials, which a person may mend."""
    file = tmp_path / "password"
    file.write_text("tap water")
    more = {"username": "littoral", "password_file": str(file), "ca_file": authority[1]}
    with MailReceiver(tls(), password="pond water") as receiver:
        options = options_of(receiver.port, "starttls", **more)
        outcome = sent(options)
        assert outcome.error == "the login is refused: 535 5.7.8 Authentication credentials invalid"
        assert (outcome.delivered, outcome.gone, outcome.wait) == (False, False, LOGIN_WAIT)
        assert len(receiver.logins) == 1, "servers lock accounts that go on"
        file.write_text("pond water")
        assert sent(options).delivered


@pytest.mark.parametrize(
    ("answers", "gone", "error"),
    [
        ({"rcpt": ["550 5.1.1 No such user"]}, True, "the recipient is refused: 550 5.1.1 No such"),
        ({"rcpt": ["450 4.2.1 Greylisted"]}, False, "the recipient is refused: 450 4.2.1 Greyl"),
        ({"data": ["554 5.7.1 Spam"]}, True, "the mail is refused: 554 5.7.1 Spam"),
        ({"data": ["452 4.3.1 Disk full"]}, False, "the mail is refused: 452 4.3.1 Disk full"),
    ],
)
def test_a_permanent_refusal_is_final_and_another_is_not(
    answers: dict[str, list[str]], gone: bool, error: str
) -> None:
    """RFC 5321, 4.2.1: 4yz may be tried again, 5yz not."""
    with MailReceiver(**answers) as receiver:
        outcome = sent(options_of(receiver.port))
    assert (outcome.delivered, outcome.gone) == (False, gone)
    assert outcome.error.startswith(error)


def test_a_server_that_is_away_is_named_by_its_fault() -> None:
    with MailReceiver() as receiver:
        pass
    outcome = sent(options_of(receiver.port))
    assert outcome == Outcome(False, error="the connection failed: Connection refused")


def test_a_server_that_drips_or_says_nothing_holds_an_attempt_up_for_a_bounded_time() -> None:
    over = threading.Event()

    def drip(peer: socket.socket) -> None:
        with suppress(OSError), peer:
            while not over.wait(0.05):
                peer.sendall(b"2")

    with socket.create_server(("127.0.0.1", 0)) as server:

        def accept() -> None:
            with suppress(OSError):
                while True:
                    threading.Thread(target=drip, args=(server.accept()[0],), daemon=True).start()

        threading.Thread(target=accept, daemon=True).start()
        outcome = sent(options_of(server.getsockname()[1], timeout_s=0.2))
        over.set()
    assert outcome == Outcome(False, error="no answer within 0.2 s")


def test_files_that_are_missing_or_hold_something_else_are_named(tmp_path: Path) -> None:
    (tmp_path / "empty").write_text("\n")
    for name in ("missing", "empty"):
        path = str(tmp_path / name)
        with pytest.raises(ConfigError, match=f"integration mail: password_file is '{path}'"):
            check_files("mail", options_of(1, username="x", password_file=path))
        with pytest.raises(ConfigError, match=f"integration mail: ca_file is '{path}'"):
            check_files("mail", options_of(1, ca_file=path))
