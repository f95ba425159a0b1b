"""One attempt to hand one mail to the mail server, and its outcome."""

from __future__ import annotations

import smtplib
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import timedelta
from email.message import EmailMessage
from pathlib import Path
from typing import Any, Final

from service.config import EmailOptions
from service.errors import ConfigError
from service.integrations.delivery_queue import Outcome, printable

ATTEMPT_TIMEOUTS: Final = 3
"""An attempt may take so many times the time-out of a single wait. Our choice."""
LOGIN_WAIT: Final = timedelta(minutes=15)
"""After a refused login the next one is so much later: servers lock accounts that go on. Our
choice."""
OWN_NAME: Final = "[127.0.0.1]"
"""How the service greets: an address literal (RFC 5321, 4.1.4), so that no host name leaks."""
_MOST_BYTES: Final = 4096


def check_files(name: str, options: EmailOptions) -> None:
    """Refuse an integration whose files are missing.

    Raises:
        ConfigError: a file is missing, or holds something else.
    """
    try:
        password_of(options)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "holds no password"
        raise ConfigError(
            f"integration {name}: password_file is {options.password_file!r} ({reason}); allowed: "
            "path of a file that holds the password alone"
        ) from error
    try:
        _tls(options)
    except (OSError, ValueError) as error:
        raise ConfigError(
            f"integration {name}: ca_file is {options.ca_file!r} ({error}); allowed: path of a PEM "
            "file with the certificates to trust instead of the system's"
        ) from error


def password_of(options: EmailOptions) -> str:
    """The password as it is now; "" where there is no login.

    Raises:
        OSError: its file cannot be read.
        ValueError: its file holds something else.
    """
    if options.password_file is None:
        return options.password or ""
    with Path(options.password_file).open("rb") as file:
        held = file.read(_MOST_BYTES + 1)
    found = held.decode("utf-8").strip()
    if not found or len(held) > _MOST_BYTES or not found.isprintable():
        raise ValueError("no password")
    return found


def longest_attempt_s(options: EmailOptions) -> float:
    """Seconds that one attempt may take, from connecting to the last answer."""
    return ATTEMPT_TIMEOUTS * options.timeout_s


def send(options: EmailOptions, message: EmailMessage, to: str) -> Outcome:
    """Hand a mail to the server once; never raises for what the server does.

    A permanent refusal (5xx, RFC 5321, 4.2.1) of the recipient or the mail is final. A refused
    login is tried again: the password may be put right in its file meanwhile.
    """
    try:
        with _deadline(longest_attempt_s(options)) as connection:
            client = connection.open(options)
            if options.username is not None:
                _log_in(client, options.username, password_of(options))
            client.send_message(message, to_addrs=[to])
            with suppress(smtplib.SMTPException, OSError):
                client.quit()  # it was taken: whatever comes now changes nothing
    except smtplib.SMTPAuthenticationError as error:
        answer = _answer(error.smtp_code, error.smtp_error)
        return Outcome(False, error=f"the login is refused: {answer}", wait=LOGIN_WAIT)
    except smtplib.SMTPRecipientsRefused as error:
        code, said = next(iter(error.recipients.values()))
        return _refused("the recipient", code, said)
    except smtplib.SMTPSenderRefused as error:
        return _refused("the sender", error.smtp_code, error.smtp_error)
    except smtplib.SMTPDataError as error:
        return _refused("the mail", error.smtp_code, error.smtp_error)
    except smtplib.SMTPNotSupportedError as error:
        return Outcome(False, error=f"the mail server cannot do what is needed: {error}")
    except smtplib.SMTPResponseException as error:
        answer = _answer(error.smtp_code, error.smtp_error)
        return Outcome(False, error=f"the mail server answered: {answer}")
    except ssl.SSLError as error:
        return Outcome(False, error=f"TLS failed: {printable(error.reason or str(error))}")
    except TimeoutError:
        return Outcome(False, error=f"no answer within {options.timeout_s:g} s")
    except (OSError, ValueError, smtplib.SMTPException) as error:
        return Outcome(False, error=f"the connection failed: {printable(_inner(error))}")
    return Outcome(True)


def _log_in(client: smtplib.SMTP, username: str, password: str) -> None:
    """Log in by the first mechanism that both know.

    ``smtplib.SMTP.login`` tries a refused password again by each of them: servers count these.
    """
    client.ehlo_or_helo_if_needed()
    offered = client.esmtp_features.get("auth", "").upper().split()
    for name, answer in (
        ("PLAIN", client.auth_plain),
        ("LOGIN", client.auth_login),
        ("CRAM-MD5", client.auth_cram_md5),
    ):
        if name in offered:
            client.user, client.password = username, password
            client.auth(name, answer)
            return
    raise smtplib.SMTPNotSupportedError(
        f"its logins are {', '.join(offered) or 'none'}; allowed: PLAIN, LOGIN, CRAM-MD5"
    )


class _Connection:
    """A connection that a deadline can end from another thread."""

    def __init__(self) -> None:
        self.client: smtplib.SMTP | None = None
        self.passed = threading.Event()

    def open(self, options: EmailOptions) -> smtplib.SMTP:
        server, opened = options.server, self

        class Plain(smtplib.SMTP):
            def connect(self, *args: Any, **kwargs: Any) -> tuple[int, bytes]:
                opened.client = self  # before the first wait
                return super().connect(*args, **kwargs)

        class Encrypted(smtplib.SMTP_SSL):
            def connect(self, *args: Any, **kwargs: Any) -> tuple[int, bytes]:
                opened.client = self
                return super().connect(*args, **kwargs)

        place = (server.host, server.port, OWN_NAME)
        if server.security == "tls":
            return Encrypted(*place, timeout=options.timeout_s, context=_tls(options))
        client = Plain(*place, timeout=options.timeout_s)
        if server.security == "starttls":
            client.starttls(context=_tls(options))
        return client

    def cut(self) -> None:
        """End it, whatever it waits for."""
        self.passed.set()
        connected = getattr(self.client, "sock", None)
        if connected is not None:
            with suppress(OSError):  # closed meanwhile
                connected.shutdown(socket.SHUT_RDWR)


@contextmanager
def _deadline(seconds: float) -> Iterator[_Connection]:
    """A connection that ends after so many seconds, however slowly answers drip in."""
    connection = _Connection()
    timer = threading.Timer(seconds, connection.cut)
    timer.daemon = True
    timer.start()
    try:
        yield connection
    except (OSError, smtplib.SMTPException) as error:
        if connection.passed.is_set():
            raise TimeoutError from error
        raise
    finally:
        timer.cancel()
        if connection.client is not None:
            connection.client.close()


def _tls(options: EmailOptions) -> ssl.SSLContext:
    if options.ca_file is not None and not Path(options.ca_file).is_file():
        raise ValueError("no file")
    return ssl.create_default_context(cafile=options.ca_file)


def _refused(what: str, code: int, said: bytes | str) -> Outcome:
    return Outcome(False, gone=code >= 500, error=f"{what} is refused: {_answer(code, said)}")


def _answer(code: int, said: bytes | str) -> str:
    text = said.decode("utf-8", "replace") if isinstance(said, bytes) else said
    return printable(f"{code} {' '.join(text.split())}")


def _inner(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return str(error) or type(error).__name__
