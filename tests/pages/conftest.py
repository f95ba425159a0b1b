"""A real browser (Debian's Chromium) and real servers for the pages."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import time
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import (
    Browser,
    BrowserContext,
    ConsoleMessage,
    Page,
    Playwright,
    expect,
    sync_playwright,
)

from ingest.app import Ingester
from service.config import (
    Config,
    EmailOptions,
    IngestConfig,
    IntegrationConfig,
    MailServer,
    MqttConfig,
    RecipientOptions,
)
from tests.pages.served import Served, fill, serve
from tests.servers import HOST, Mosquitto, program, wait_until

PATIENCE_MS = 60_000
"""How long a page may take on a loaded machine; nothing waits so long unless it fails."""

RECIPIENTS = (
    RecipientOptions("ana", "ana@example.org", digest=time(7, 30)),
    RecipientOptions("keeper", "keeper@example.org", digest=None, urgent=False),
)
MAILING = Config(
    integrations=(
        IntegrationConfig(
            "mail", EmailOptions(MailServer("127.0.0.1", 25, "none"), "l@example.org", RECIPIENTS)
        ),
    )
)
"""Invented recipients, to whom nothing is sent: the page of mail has something to show."""

expect.set_options(timeout=PATIENCE_MS)
CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


@dataclass
class Watched:
    """A page whose complaints and requests are written down."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def hear(self, message: ConsoleMessage) -> None:
        """Write down what the browser warns of."""
        if message.type in ("error", "warning", "assert"):
            self.complaints.append(f"{message.type}: {message.text}")

    def strangers(self, served: Served) -> list[str]:
        """Requests to anywhere else than the service."""
        here = urlsplit(served.url).netloc
        return [url for url in self.requests if urlsplit(url).netloc not in (here, "")]


@pytest.fixture(scope="session")
def driver() -> Iterator[Playwright]:
    """What starts browsers and steers them."""
    with sync_playwright() as driver:
        yield driver


@contextmanager
def launched(driver: Playwright, path: str) -> Iterator[Browser]:
    """A browser of Debian's, without a window."""
    running = driver.chromium.launch(executable_path=path, args=CHROMIUM_FLAGS)
    yield running
    running.close()


@pytest.fixture(scope="session")
def browser(driver: Playwright) -> Iterator[Browser]:
    """Chromium's engine without what surrounds a window: half of the work for each page."""
    with launched(driver, program("chromium-headless-shell")) as running:
        yield running


@pytest.fixture
def whole_browser(driver: Playwright) -> Iterator[Browser]:
    """All of Chromium, for what its engine alone does not judge."""
    with launched(driver, program("chromium")) as running:
        yield running


@pytest.fixture(scope="session")
def shore(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A server with the demo's tanks and days of readings; tests leave it as it is."""
    served = serve(tmp_path_factory.mktemp("shore"), config=MAILING)
    fill(served, days=2)
    yield served
    served.stop()


@pytest.fixture
def bare(tmp_path: Path) -> Iterator[Served]:
    """A server without tanks, for one test."""
    served = serve(tmp_path)
    yield served
    served.stop()


@pytest.fixture
def empty_workshop(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Served]:
    """A service without tanks and an ingester at a broker."""
    config = Config(
        mqtt=MqttConfig(f"mqtt://{HOST}:{mosquitto.port}", client_id="workshop"),
        ingest=IngestConfig(spool_path=str(tmp_path / "spool.db"), batch_age_s=0.05),
    )
    served = serve(tmp_path, config=config)
    ingester = Ingester(config, served.store, served.registry, served.clock)
    stop = threading.Event()
    thread = threading.Thread(target=ingester.run, args=(stop,))
    thread.start()
    wait_until(lambda: ingester.status()["subscribed"])
    yield served
    stop.set()
    thread.join(60)
    served.stop()


@dataclass
class Opener:
    """Opens pages in contexts of their own."""

    browser: Browser
    contexts: list[BrowserContext] = field(default_factory=list)

    def __call__(self, url: str, *, width: int = 1280, **options: object) -> Watched:
        """Open a URL; options as Playwright's ``new_context``."""
        size = {"width": width, "height": 800}
        context = self.browser.new_context(viewport=size, **options)  # type: ignore[arg-type]
        context.set_default_timeout(PATIENCE_MS)
        self.contexts.append(context)
        watched = Watched(context.new_page())
        page = watched.page
        page.on("console", watched.hear)
        page.on("pageerror", lambda error: watched.complaints.append(str(error)))
        page.on("request", lambda request: watched.requests.append(request.url))
        page.goto(url)
        return watched


@pytest.fixture
def visit(browser: Browser) -> Iterator[Opener]:
    """``visit(url, width=…, color_scheme=…)``: a page in a context of its own."""
    opener = Opener(browser)
    yield opener
    for context in opener.contexts:
        context.close()
