"""A real SMTP server (aiosmtpd) on the loopback: with STARTTLS, TLS, a login, or none of them."""

from __future__ import annotations

import asyncio
import email
import email.policy
import ssl
import threading
from dataclasses import dataclass, field
from email.message import EmailMessage
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session


@dataclass
class Received:
    """One mail as it arrived."""

    sender: str
    recipients: list[str]
    raw: bytes
    over_tls: bool

    @property
    def message(self) -> EmailMessage:
        return email.message_from_bytes(self.raw, policy=email.policy.default)

    def text(self, kind: str = "plain") -> str:
        part = self.message.get_body((kind,))
        assert part is not None
        return str(part.get_content()).replace("\r\n", "\n")


@dataclass
class MailReceiver:
    """Takes mail in; ``rcpt`` and ``data`` are its answers, the last one for ever.

    Attributes:
        tls: for STARTTLS, or with ``from_first_byte`` for TLS at once.
        password: of the account ``littoral``; None: nobody logs in.
    """

    tls: ssl.SSLContext | None = None
    from_first_byte: bool = False
    password: str | None = None
    rcpt: list[str] = field(default_factory=lambda: ["250 OK"])
    data: list[str] = field(default_factory=lambda: ["250 OK"])
    received: list[Received] = field(default_factory=list)
    logins: list[bytes] = field(default_factory=list)
    port: int = 0

    async def handle_RCPT(  # noqa: N802 - the server's name for it
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        answer = _next(self.rcpt)
        if answer.startswith("2"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(  # noqa: N802 - the server's name for it
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        answer = _next(self.data)
        if answer.startswith("2"):
            encrypted = session.ssl is not None or self.from_first_byte
            assert isinstance(envelope.content, bytes)
            self.received.append(
                Received(
                    str(envelope.mail_from), list(envelope.rcpt_tos), envelope.content, encrypted
                )
            )
        return answer

    def _login(
        self, server: SMTP, session: Session, envelope: Envelope, kind: str, data: Any
    ) -> Any:
        assert isinstance(data, LoginPassword)
        self.logins.append(data.password)
        wanted = (b"littoral", str(self.password).encode())
        return AuthResult(success=(data.login, data.password) == wanted, handled=False)

    def _protocol(self) -> SMTP:
        start = None if self.from_first_byte else self.tls
        return SMTP(
            self,
            hostname="mail.example",
            tls_context=start,
            require_starttls=start is not None,
            auth_required=self.password is not None,
            auth_require_tls=not self.from_first_byte,
            authenticator=self._login,
            loop=self._loop,
        )

    def __enter__(self) -> MailReceiver:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="mail-receiver")
        self._thread.start()
        at_once = self.tls if self.from_first_byte else None
        starting = self._loop.create_server(self._protocol, "127.0.0.1", self.port, ssl=at_once)
        self._server = asyncio.run_coroutine_threadsafe(starting, self._loop).result(20)
        self.port = int(self._server.sockets[0].getsockname()[1])
        return self

    def __exit__(self, *_: object) -> None:
        async def end() -> None:
            self._server.close()
            others = asyncio.all_tasks() - {asyncio.current_task()}
            for one in others:
                one.cancel()
            await asyncio.gather(*others, return_exceptions=True)

        asyncio.run_coroutine_threadsafe(end(), self._loop).result(20)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()


def _next(answers: list[str]) -> str:
    return answers.pop(0) if len(answers) > 1 else answers[0]
