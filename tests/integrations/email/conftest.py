"""A mail server, certificates, and mail to two people about the tank ``reed``."""

from __future__ import annotations

import functools
import ssl
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest
import trustme

from service.advice.cautions import ANIMALS
from service.advice.engine.history.change_events import LedgerChange
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import Severity
from service.config import EmailOptions, MailServer, RecipientOptions
from service.derive.caching.drift_cache import MorningDrifts
from service.derive.models.tank_view import TankView
from service.integrations.email.mail import Email
from service.store.sqlite.store import SqliteStore
from tests.advice.cases import view_with
from tests.advice.engine.test_ledger import at, finding
from tests.derive.pieces import a_tank
from tests.integrations.conftest import Home, SetClock
from tests.integrations.email.smtp_server import MailReceiver
from tests.registries import sqlite_registry

ANA = RecipientOptions("ana", "ana@example.org", digest=time(7, 30))
NOW = datetime(2026, 11, 3, 12, 0, tzinfo=UTC)


@dataclass
class MachineClock:
    """The machine's own clock, which the test moves."""

    moment: datetime = field(default=NOW)

    def now(self) -> datetime:
        return self.moment


@dataclass
class Post:
    """Mail of a home: made anew for each test, as after a restart when called again."""

    home: Home
    machine: MachineClock = field(default_factory=MachineClock)

    def made(
        self,
        receiver: MailReceiver,
        *recipients: RecipientOptions,
        public_url: str | None = "https://tanks.example.org",
        **options: Any,
    ) -> Email:
        server = MailServer("127.0.0.1", receiver.port, "none")
        given = EmailOptions(server, "Littoral <littoral@example.org>", recipients or (ANA,))
        return Email(
            "mail",
            replace(given, **options),
            self.home.registry,
            self.home.store,
            self.home.clock,
            MorningDrifts(),
            public_url,
            machine_clock=self.machine,
            jitter=lambda: 1.0,
        )

    def later(self, email: Email, **ahead: float) -> int:
        """Report the tanks to the mail some time later, and send what is due."""
        self.home.clock.moment += timedelta(**ahead)
        self.machine.moment += timedelta(**ahead)
        for tank in self.home.registry.tanks():
            email.update(replace(_view(), tank=tank), LedgerChange((), (), ()))
        return email.deliver_due()

    def found(self, severity: Severity, code: str = "too-warm") -> None:
        """Open a recommendation of the tank ``reed``."""
        words = {"action": "Open the lid.", "contact": "Ira, 555 0100", "cautions": (ANIMALS,)}
        one = replace(finding(code), severity=severity, title="Water is too warm", **words)
        Ledger(self.home.registry).update(at(self.home.clock.moment), [one])


@functools.cache
def _view() -> TankView:
    return view_with()


@pytest.fixture
def post(tmp_path: Path) -> Iterator[Post]:
    """The tank ``reed`` with a thermometer and one thing to do."""
    registry = sqlite_registry(tmp_path / "home.db")
    store = SqliteStore.from_url(f"sqlite:///{tmp_path / 'readings.db'}")
    registry.put_tank(a_tank())
    found = Post(Home(registry, store, SetClock()))
    found.found(Severity.ADVICE)
    yield found
    store.close()
    registry.close()


@pytest.fixture(scope="session")
def authority(tmp_path_factory: pytest.TempPathFactory) -> tuple[trustme.CA, str]:
    """An authority of certificates, and the file with its own."""
    found = trustme.CA()
    path: Path = tmp_path_factory.mktemp("mail") / "ca.pem"
    found.cert_pem.write_to_path(str(path))
    return found, str(path)


@pytest.fixture
def tls(authority: tuple[trustme.CA, str]) -> Callable[[str], ssl.SSLContext]:
    """A server's side of TLS, by name."""

    def make(name: str = "127.0.0.1") -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        authority[0].issue_cert(name).configure_cert(context)
        return context

    return make
