"""At the start a store or registry is lost: nothing takes its place, and readings wait."""

from __future__ import annotations

import shutil
import threading
from pathlib import Path

import pytest

from ingest.app import Ingester
from service.app.app_factory import create_app
from service.app.application import Missing, opened
from service.clock import SystemClock
from service.config import Config
from service.errors import LittoralError, NotFoundError, StoreUnavailableError
from service.registry.models.tank import Tank
from service.store import Reading, SeriesKey
from service.store.sqlite import connections
from tests.app.test_application import config_in
from tests.ingest.conftest import publish
from tests.servers import wait_until

KEY = SeriesKey("reed", "ph", "main")


@pytest.fixture(autouse=True)
def _no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "_EVERY_S", 0.0)


@pytest.fixture
def config(tmp_path: Path) -> Config:
    """A place where Littoral has run: a tank, and a reading."""
    made = config_in(tmp_path, LITTORAL_INGEST__SPOOL_PATH=f"{tmp_path}/spool.db")
    with opened(made) as application:
        application.registry.put_tank(Tank("reed", "Reed"))
        application.store.write([Reading("reed", "ph", "main", 1_700_000_000_000_000, 6.6)])
    return made


def test_the_first_start_makes_both(tmp_path: Path) -> None:
    with opened(config_in(tmp_path)) as application:
        assert application.store.health().reachable
    with opened(config_in(tmp_path)) as application:
        assert application.store.health().reachable


def test_a_lost_store_is_not_made_anew_and_the_rest_answers(tmp_path: Path, config: Config) -> None:
    (tmp_path / "readings.db").rename(tmp_path / "moved.db")
    with opened(config) as application:
        detail = application.store.health().detail
        assert "readings.db: is not there, and was before" in detail
        assert "littoral check --create" in detail
        client = create_app(application).test_client()
        assert client.get("/healthz").status_code == 200
        ready = client.get("/readyz")
        assert (ready.status_code, ready.get_json()["store"]["detail"]) == (503, detail)
        assert client.get("/v1/tanks").get_json()["tanks"]
        assert 'littoral_up{part="store"} 0.0' in client.get("/metrics").text
        away = client.get("/v1/tanks/reed/readings?quantity=ph")
        assert (away.status_code, away.get_json()["detail"]) == (503, detail)
        assert b"is not there, and was before" in client.get("/tanks/reed").data
        assert not (tmp_path / "readings.db").exists()
        (tmp_path / "moved.db").rename(tmp_path / "readings.db")
        assert client.get("/v1/tanks/reed/readings?quantity=ph").status_code == 200
        assert application.store.health().reachable


def test_a_damaged_store_is_no_reason_not_to_start(tmp_path: Path, config: Config) -> None:
    path = tmp_path / "readings.db"
    shutil.copy(path, tmp_path / "backup.db")
    path.write_bytes(b"\xa5" * path.stat().st_size)
    with opened(config) as application:
        assert "is damaged or no SQLite file" in application.store.health().detail
        with pytest.raises(StoreUnavailableError, match="damaged"):
            application.store.write([Reading("reed", "ph", "main", 1_700_000_100_000_000, 6.6)])
        path.unlink()
        shutil.copy(tmp_path / "backup.db", path)
        assert application.store.health().reachable


def test_what_nobody_has_seen_before_is_refused(tmp_path: Path) -> None:
    (tmp_path / "readings.db").write_bytes(b"years of notes" * 1000)
    with pytest.raises(LittoralError, match="no SQLite file"), opened(config_in(tmp_path)):
        pytest.fail("it was opened")


def test_a_lost_registry_is_not_made_anew(tmp_path: Path, config: Config) -> None:
    (tmp_path / "registry.db").rename(tmp_path / "moved.db")
    with (
        pytest.raises(
            NotFoundError, match=r"registry\.db is not there, but the store has readings"
        ),
        opened(config),
    ):
        pytest.fail("it was opened")
    assert not (tmp_path / "registry.db").exists()
    (tmp_path / "moved.db").rename(tmp_path / "registry.db")
    with opened(config) as application:
        assert [tank.id for tank in application.registry.tanks()] == ["reed"]


def test_both_are_made_anew_where_it_is_said(tmp_path: Path, config: Config) -> None:
    (tmp_path / "readings.db").unlink()
    with opened(config, Missing.CREATE) as application:
        assert application.store.health().reachable
    (tmp_path / "registry.db").unlink()
    with opened(config, Missing.CREATE) as application:
        assert application.registry.tanks() == []


def test_the_ingester_takes_messages_without_the_store(
    tmp_path: Path, config: Config, mosquitto: object
) -> None:
    """From the start on: acknowledged into the spool, and into the store when it is back."""
    (tmp_path / "readings.db").rename(tmp_path / "moved.db")
    config = config_in(
        tmp_path,
        LITTORAL_INGEST__SPOOL_PATH=f"{tmp_path}/spool.db",
        LITTORAL_MQTT__URL=f"mqtt://127.0.0.1:{mosquitto.port}",  # type: ignore[attr-defined]
        LITTORAL_MQTT__CLIENT_ID=f"lost-{tmp_path.name[-20:]}".replace("_", "-"),
    )
    with opened(config) as application:
        stop = threading.Event()
        ingester = Ingester(config, application.store, application.registry, SystemClock())
        running = threading.Thread(target=ingester.run, args=(stop,))
        running.start()
        wait_until(lambda: ingester.status()["subscribed"])
        publish(mosquitto, "littoral/reed/ph", "6.7")
        wait_until(lambda: ingester.status()["acknowledged"] == 1)
        wait_until(lambda: "is not there" in " ".join(ingester.status()["errors"]))
        assert ingester.status()["spool"]["readings"] == 1
        (tmp_path / "moved.db").rename(tmp_path / "readings.db")
        wait_until(lambda: ingester.status()["spool"]["readings"] == 0)
        values = application.store.read(KEY, 0, 1 << 62).value.tolist()
        stop.set()
        running.join()
    assert values == [6.6, 6.7]
