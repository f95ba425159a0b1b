"""The registry's URL, several writers at once, and a database that is away."""

import tempfile
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import StatementError

from service.errors import (
    ConfigError,
    ConflictError,
    RegistryRefusedError,
    RegistryUnavailableError,
)
from service.registry.models.ingest import Rejection
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.registry.registry import open_registry
from service.registry.tables.advice import RecommendationRow
from service.registry.tables.processes import StatusRow
from tests.another_process import AnotherProcess
from tests.servers import Postgresql

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    "url",
    ["", "registry.db", "mysql://u:geheim@h/d", "sqlite://", "sqlite:///:memory:", "http://x:y"],
)
def test_a_wrong_url_is_named_without_its_password(url):
    with pytest.raises(ConfigError, match=r"registry.url is .*allowed: sqlite:///FILE") as caught:
        open_registry(url)
    assert "geheim" not in str(caught.value)


def test_folders_on_the_way_are_made(tmp_path):
    registry = open_registry(f"sqlite:///{tmp_path}/var/lib/registry.db")
    assert registry.tanks() == []
    registry.close()


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(ConfigError, match="file"):
        open_registry(f"sqlite:///{tmp_path}/file/sub/registry.db")


def test_a_file_that_is_no_database_is_refused(tmp_path):
    (tmp_path / "registry.db").write_text("this is a diary, not a database\n" * 100)
    with pytest.raises(RegistryRefusedError, match="not a database; restore a backup"):
        open_registry(f"sqlite:///{tmp_path}/registry.db")


def test_sqlite_is_set_up_for_two_processes(tmp_path):
    registry = open_registry(f"sqlite:///{tmp_path}/registry.db")
    with registry.session(writes=False) as session:
        assert session.scalar(text("PRAGMA journal_mode")) == "wal"
        assert session.scalar(text("PRAGMA foreign_keys")) == 1
        assert session.scalar(text("PRAGMA busy_timeout")) == 15_000
    registry.close()


PREPARED = """
from datetime import UTC, datetime
from service.registry.registry import open_registry
from service.registry.models.ingest import Rejection
from service.registry.models.log import LogKind
registry = open_registry(sys.argv[1])
now = datetime(2026, 5, 4, tzinfo=UTC)
"""
WRITE_MANY = """
for number in range(50):
    registry.add_log("a", LogKind.TRIM, now, {"fraction": 0.1})
    registry.add_rejections([Rejection(now, "t", "x", "not-a-number", "")])
    registry.put_status("one", {"number": number})
registry.close()
"""


def test_processes_and_threads_write_at_once_and_lose_nothing(registry, registry_url):
    registry.put_tank(Tank("a", "A"))
    processes = [AnotherProcess(PREPARED, registry_url) for _ in range(2)]
    failures = []

    def write():
        try:
            for _ in range(50):
                registry.add_log("a", LogKind.TRIM, NOON, {"fraction": 0.2})
                registry.add_rejections([Rejection(NOON, "t", "y", "not-a-number", "")])
                registry.log("a", limit=5)
        except Exception as error:
            failures.append(error)
            raise

    threads = [threading.Thread(target=write) for _ in range(2)]
    for process in processes:
        process.begins(WRITE_MANY)
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for process in processes:
        process.has_done()
        process.end()
    assert failures == []
    assert len(registry.log("a")) == 200
    assert registry.rejection_counts() == {"not-a-number": 200}


def test_a_block_that_fails_changes_nothing(registry):
    with pytest.raises(ZeroDivisionError), registry.session(writes="bookkeeping") as session:
        session.add(StatusRow(name="x", document={}))
        session.flush()
        raise ZeroDivisionError
    assert registry.statuses() == {}


def test_a_row_of_an_unknown_tank_is_a_conflict(registry):
    row = RecommendationRow(
        id="1", tank="nowhere", code="c", subject="", severity=1, state="open", folded=False,
        first_seen=NOON, last_seen=NOON, finding={},
    )  # fmt: skip
    with pytest.raises(ConflictError), registry.session(writes="bookkeeping") as session:
        session.add(row)


def test_a_naive_time_is_refused_where_it_is_stored(registry):
    with pytest.raises(StatementError, match="allowed: a datetime with a time zone"):
        registry.add_rejections([Rejection(NOON.replace(tzinfo=None), "t", "x", "c", "")])


def test_postgresql_that_goes_away_and_comes_back(started):
    with tempfile.TemporaryDirectory(prefix="littoral-postgresql-") as folder:
        server = started(Postgresql(Path(folder)))
        registry = open_registry(server.url)
        registry.put_tank(Tank("a", "A"))
        assert registry.tank("a") == Tank("a", "A")
        server.stop()
        with pytest.raises(RegistryUnavailableError, match="registry's database reports"):
            registry.tanks()
        # What was read before and is kept is not told either: nobody knows whether it still holds.
        with pytest.raises(RegistryUnavailableError, match="registry's database reports"):
            registry.tank("a")
        with pytest.raises(RegistryUnavailableError):
            open_registry(server.url)
        server.start()
        assert registry.tanks() == [Tank("a", "A")]
        assert registry.tank("a") == Tank("a", "A")
        registry.close()
        server.stop()
