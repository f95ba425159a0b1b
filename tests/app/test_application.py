"""The application object: what it opens, makes and imports."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from service.app.app_factory import create_app
from service.app.application import Application, opened
from service.app.protection import require_protection
from service.app.serving import serve
from service.app.signals import set_by_signals
from service.clock import FixedClock
from service.config import Config, load_config
from service.errors import ConfigError, LittoralError
from service.integrations.retired import clearing
from service.integrations.retired.publication import ADVICE, Publication, record
from service.registry.models.access import Scope
from service.registry.models.events import DeliveryState, NewEvent
from service.registry.models.tank import Tank
from tests.api.conftest import NOW
from tests.cli.conftest import ROOT
from tests.cli.test_serving import PATIENCE_S
from tests.registries import make_sqlite_registry
from tests.servers import free_port


def config_in(folder: Path, **more: str) -> Config:
    urls = {
        "LITTORAL_STORE__URL": f"sqlite:///{folder}/readings.db",
        "LITTORAL_REGISTRY__URL": f"sqlite:///{folder}/registry.db",
    }
    return load_config(None, urls | more)


def test_store_and_registry_are_open_until_the_end(tmp_path: Path) -> None:
    with opened(config_in(tmp_path)) as application:
        assert application.store.health().reachable
        assert application.registry.tanks() == []
        assert not application.stopping.is_set()


def test_what_cannot_be_opened_is_named(tmp_path: Path) -> None:
    (tmp_path / "readings.db").write_text("years of notes, and no database at all" * 100)
    with pytest.raises(LittoralError, match=r"readings\.db"), opened(config_in(tmp_path)):
        pytest.fail("a file that is no database was opened")


def advice_samples(application: Application) -> list[str]:
    families = [one for one in application.metrics.collect() if one.name == "littoral_advice_open"]
    return [sample.labels["tank"] for family in families for sample in family.samples]


def test_integrations_metrics_and_scheduler_are_made_once_and_joined(tmp_path: Path) -> None:
    with opened(config_in(tmp_path, LITTORAL_ADVICE__PUBLISH="true")) as application:
        assert [one.name for one in application.integrations] == ["mqtt-advice"]
        assert application.integrations is application.integrations
    with opened(config_in(tmp_path, LITTORAL_ADVICE__PUBLISH="false")) as application:
        assert application.integrations == ()
        assert application.scheduler is application.scheduler
        application.registry.put_tank(Tank("reed", "Reed bed"))
        assert advice_samples(application) == []
        application.scheduler.evaluate_all()
        assert set(advice_samples(application)) == {"reed"}


def test_a_stop_amid_the_start_waits_for_no_broker(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clearing, "START_WAIT_S", 3600.0)
    given = {
        "LITTORAL_ADVICE__PUBLISH": "false",
        "LITTORAL_MQTT__URL": f"mqtt://127.0.0.1:{free_port()}",
    }
    with opened(config_in(tmp_path, **given)) as application:
        record(application.registry, [Publication(ADVICE, "littoral", "earlier")])
        scheduler, stop = application.scheduler, application.stopping
        running = threading.Thread(target=scheduler.run, args=(stop,), daemon=True)
        running.start()
        stop.set()
        running.join(30)
        assert not running.is_alive()


def test_api_and_pages_are_one_app_behind_one_authentication(tmp_path: Path) -> None:
    with opened(config_in(tmp_path)) as application:
        client = create_app(application).test_client()
        assert client.get("/v1/tanks").status_code == client.get("/").status_code == 200
        application.registry.create_token("colleague", Scope.READ, NOW)
        assert client.get("/v1/tanks").status_code == 401
        assert client.get("/").location == "/login?next=/"


@pytest.mark.parametrize(("host", "tokens", "guarded"), [("127.0.0.1", 0, False), ("::", 1, True)])
def test_protection(tmp_path: Path, host: str, tokens: int, guarded: bool) -> None:
    config = config_in(tmp_path, LITTORAL_HTTP__HOST=host)
    with opened(config) as application:
        if host == "::":
            with pytest.raises(ConfigError, match=r"http\.host"):
                require_protection(config, application.registry)
        for number in range(tokens):
            application.registry.create_token(f"t{number}", Scope.READ, NOW)
        assert require_protection(config, application.registry) is guarded


def test_a_proxy_is_not_served_without_a_token(tmp_path: Path) -> None:
    config = config_in(tmp_path, LITTORAL_HTTP__TRUSTED_PROXY="127.0.0.1")
    with opened(config) as application:
        with pytest.raises(ConfigError, match=r"http\.trusted_proxy is '127\.0\.0\.1'"):
            require_protection(config, application.registry)
        application.registry.create_token("t", Scope.READ, NOW)
        assert require_protection(config, application.registry)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_signals_set_the_event_and_are_put_back(number: signal.Signals) -> None:
    before, stopping = signal.getsignal(number), threading.Event()
    with set_by_signals(stopping):
        signal.raise_signal(number)
        assert stopping.wait(PATIENCE_S)
    assert signal.getsignal(number) == before


def test_signals_do_not_stop_a_main_thread_that_looks_at_the_event() -> None:
    """A handler that sets it waits for ever where the main thread holds the event's lock."""
    program = """
import os, signal, threading
from service.app.signals import set_by_signals

def ask():
    for _ in range(20_000):
        os.kill(os.getpid(), signal.SIGTERM)

stopping = threading.Event()
asking = threading.Thread(target=ask)
with set_by_signals(stopping):
    asking.start()
    while asking.is_alive():
        stopping.wait(1e-6)
print(stopping.is_set())
"""
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    assert (done.stdout, done.stderr) == ("True\n", "")


def test_a_process_that_takes_readings_in_imports_no_web(tmp_path: Path) -> None:
    make_sqlite_registry(tmp_path / "registry.db")
    program = (
        "import sys, service.app.application, ingest.app; from service.registry import registry; "
        "registry.open_registry(sys.argv[1]).close(); print(*sys.modules, sep='\\n')"
    )
    command = [sys.executable, "-c", program, f"sqlite:///{tmp_path / 'registry.db'}"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "sqlalchemy" in loaded
    assert not loaded & {
        "flask",
        "waitress",
        "service.advice.engine.scheduler",
        "prometheus_client",
        "alembic",  # the registry is up to date
    }


def test_one_clock_for_all(tmp_path: Path) -> None:
    with opened(config_in(tmp_path)) as application:
        fixed = Application(
            application.config, FixedClock(NOW), application.store, application.registry
        )
        answer = create_app(fixed).test_client().get("/healthz").get_json()
        assert answer["time"] == "2025-06-04T12:00:00Z"


def test_deliveries_of_a_webhook_that_is_no_longer_configured_are_dropped(tmp_path: Path) -> None:
    config = config_in(tmp_path, LITTORAL_ADVICE__PUBLISH="false", LITTORAL_HTTP__PORT="0")
    with opened(config) as application:
        registry = application.registry
        registry.hand_over("gone", NOW)
        registry.add_events([NewEvent("recommendation.opened", "co2-low-1", "reed", NOW, {})])
        registry.hand_over("gone", NOW)
        assert registry.delivery_counts() == {("gone", DeliveryState.WAITING): 1}
        application.stopping.set()
        serve(application)
        assert registry.delivery_counts() == {}
