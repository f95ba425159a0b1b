"""Registry in PostgreSQL, store in InfluxDB or VictoriaMetrics: out of them, into them, between."""

from __future__ import annotations

import uuid

import pytest
from sqlalchemy import text

from service.backup.backup import back_up
from service.backup.refused import BackupRefusedError
from service.backup.restore import restore
from service.errors import LittoralError, NotFoundError, RegistryRefusedError
from service.registry.database.connection import make_engine
from service.registry.models.ingest import Rejection
from service.registry.models.log import LogKind
from service.registry.registry import open_registry
from service.store import open_store
from tests.backup.conftest import NOW, contents, fill, place
from tests.servers import Victoriametrics


@pytest.fixture
def database(postgresql):
    """URL of an empty database of the test's own."""
    made = []

    def new():
        name = f"backup_{uuid.uuid4().hex[:12]}"
        engine = make_engine(postgresql.url)
        with engine.execution_options(isolation_level="AUTOCOMMIT").connect() as connection:
            connection.execute(text(f"CREATE DATABASE {name}"))
        engine.dispose()
        made.append(name)
        return postgresql.database_url(name)

    return new


def numbered(one):
    """The next number that the registry gives a rejection and an event."""
    registry = open_registry(one.config.registry.url)
    registry.add_rejections([Rejection(NOW, "topic/new", "x", "not-a-number", "", "", "reed")])
    registry.add_log("reed", LogKind.OBSERVATION, NOW, {}, note="after")
    found = [one.topic for one in registry.rejections()]
    registry.close()
    return found


@pytest.mark.parametrize("way", ["out", "in", "both"])
def test_postgresql(tmp_path, database, way):
    old = fill(place(tmp_path / "old", registry=None if way == "in" else database()))
    new = place(tmp_path / "new", registry=None if way == "out" else database())
    before = contents(old)
    file = tmp_path / "backup.tar"
    back_up(old.config, file)
    restore(new.config, file)
    assert contents(new) == before
    # Numbers go on after those that were given: nothing is numbered twice.
    assert len(numbered(new)) == len(before["rejections"]) + 1
    with pytest.raises(BackupRefusedError, match="overwrites nothing"):
        restore(new.config, file)


def test_a_number_of_an_event_is_never_given_again(tmp_path, database):
    """Also not that of one that was deleted before the backup, either way."""
    old = fill(place(tmp_path / "old", registry=database()))
    engine = make_engine(old.config.registry.url)
    with engine.begin() as connection:
        connection.execute(text("SELECT setval('event_sequence_seq', 41)"))
    engine.dispose()
    first, second = place(tmp_path / "first"), place(tmp_path / "second", registry=database())
    back_up(old.config, tmp_path / "a.tar")
    restore(first.config, tmp_path / "a.tar")
    back_up(first.config, tmp_path / "b.tar")
    restore(second.config, tmp_path / "b.tar")
    for one, question in (
        (first, "SELECT seq FROM sqlite_sequence WHERE name = 'event'"),
        (second, "SELECT last_value FROM event_sequence_seq"),
    ):
        engine = make_engine(one.config.registry.url)
        with engine.connect() as connection:
            assert connection.execute(text(question)).scalar() == 41
        engine.dispose()


def test_an_empty_or_older_postgresql_is_not_backed_up(tmp_path, database):
    one = place(tmp_path / "old", registry=database())
    open_store(one.config.store.url).close()
    with pytest.raises(NotFoundError, match="is empty"):
        back_up(one.config, tmp_path / "backup.tar")
    fill(one)
    engine = make_engine(one.config.registry.url)
    with engine.begin() as connection:
        connection.execute(text("UPDATE registry_version SET version_num = '0001'"))
    engine.dispose()
    with pytest.raises(RegistryRefusedError, match="pg_dump"):
        back_up(one.config, tmp_path / "backup.tar")


def test_a_store_in_influxdb(tmp_path, influxdb):
    old, back = (
        place(tmp_path, store=f"influx://127.0.0.1:{influxdb.port}/backup_{uuid.uuid4().hex[:8]}")
        for _ in range(2)
    )
    before = contents(fill(old))
    file = tmp_path / "backup.tar"
    back_up(old.config, file)
    new = place(tmp_path / "new")
    restore(new.config, file)
    assert contents(new) == before
    registry = f"sqlite:///{tmp_path}/back.db"
    back = place(tmp_path, registry, back.config.store.url)
    restore(back.config, file)
    assert contents(back) == before
    refused = place(tmp_path / "again", store=old.config.store.url)
    with pytest.raises(BackupRefusedError, match="is not empty; a restore overwrites nothing"):
        restore(refused.config, file)
    assert not (tmp_path / "again").exists()


@pytest.mark.slow
def test_a_store_in_victoriametrics(tmp_path, started):
    """It stores values within 1e-11 of themselves, and shows a new series after some seconds."""
    server = started(Victoriametrics(tmp_path / "server"))
    old = place(tmp_path / "old", store=f"victoriametrics://127.0.0.1:{server.port}")
    sent = contents(fill(place(tmp_path / "same")))
    fill(old)
    file = tmp_path / "backup.tar"
    back_up(old.config, file)  # at once: what was acknowledged is in it
    new = place(tmp_path / "new")
    restore(new.config, file)
    found = contents(new)
    for (at, value, flags, raw), (*same, its_raw) in zip(
        sent.pop("readings"), found.pop("readings"), strict=True
    ):
        assert same == [at, pytest.approx(value, rel=1e-10), flags]
        assert its_raw == (None if raw is None else pytest.approx(raw, rel=1e-10))
    for part in ("series", "days", "tanks"):
        assert found[part] == sent[part]


def test_a_server_that_is_away_is_said(tmp_path):
    away = fill(place(tmp_path / "old"))
    away = place(tmp_path / "old", store="influx://127.0.0.1:9/tanks")
    with pytest.raises(LittoralError, match="no answer"):
        back_up(away.config, tmp_path / "backup.tar")
    assert not (tmp_path / "backup.tar").exists()
