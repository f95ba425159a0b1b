"""The registry's SQLite file is moved, deleted, replaced or damaged while it is in use."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing

import pytest

from service.errors import RegistryRefusedError, RegistryUnavailableError
from service.registry.database import file
from service.registry.models.tank import Tank
from service.registry.registry import open_registry


@pytest.fixture(autouse=True)
def _no_pause(monkeypatch):
    monkeypatch.setattr(file, "_EVERY_S", 0.0)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "registry.db"


@pytest.fixture
def make(path):
    made = []

    def opened():
        made.append(open_registry(f"sqlite:///{path}"))
        return made[-1]

    yield opened
    for registry in made:
        registry.close()


def names(registry):
    return [tank.name for tank in registry.tanks()]


def refuses(registry, why):
    with pytest.raises(RegistryUnavailableError, match=why):
        registry.put_tank(Tank("sedge", "Sedge"))
    with pytest.raises(RegistryUnavailableError, match=why):
        registry.tanks()
    with pytest.raises(RegistryUnavailableError, match=why):
        registry.put_status("x", {})


def direct(path, sql, *values):
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(sql, values).fetchall()


@pytest.mark.parametrize("back", ["the same", "a backup"])
def test_a_lost_file_takes_nothing_until_it_is_put_back(make, path, tmp_path, back):
    registry, other = make(), make()
    registry.put_tank(Tank("reed", "Reed"))
    cached = []
    registry.cache.get("tanks", lambda: cached.append(1))
    backup, moved = tmp_path / "backup.db", tmp_path / "moved.db"
    direct(path, "VACUUM INTO ?", str(backup))
    path.rename(moved)
    refuses(registry, "moved or deleted")
    refuses(other, "moved or deleted")
    with pytest.raises(RegistryUnavailableError, match="moved or deleted"):
        registry.cache.get("tanks", lambda: cached.append(2))
    assert not path.exists()
    moved.rename(path) if back == "the same" else shutil.copy(backup, path)
    assert names(registry) == names(other) == ["Reed"]
    registry.put_tank(Tank("sedge", "Sedge"))
    assert names(other) == ["Reed", "Sedge"]
    registry.cache.get("tanks", lambda: cached.append(3))
    assert cached == [1, 3]


def test_damage_is_noticed_by_all_and_a_backup_puts_it_right(make, path, tmp_path):
    registry, other, fresh = make(), make(), make()
    for number in range(80):
        registry.put_tank(Tank(f"reed-{number}", "Reed"))
    backup = tmp_path / "backup.db"
    direct(path, "VACUUM INTO ?", str(backup))
    direct(path, "PRAGMA wal_checkpoint(TRUNCATE)")
    with path.open("r+b") as out:
        for page in range(4, path.stat().st_size // 4096):
            out.seek(page * 4096)
            out.write(b"\xa5" * 4096)
    refuses_reading(fresh)
    refuses(other, "database")
    refuses(registry, "database")
    with pytest.raises(RegistryRefusedError, match="restore a backup"):
        make()
    path.unlink()
    shutil.copy(backup, path)
    assert len(names(fresh)) == len(names(registry)) == len(names(make())) == 80


def refuses_reading(registry):
    with pytest.raises(RegistryUnavailableError, match="restore a backup"):
        names(registry)
