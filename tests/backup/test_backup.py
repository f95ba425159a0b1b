"""Backup of registry and store into one file, and the way back into an empty place."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from datetime import timedelta

import pytest

from service.app.application import Missing, opened
from service.backup import archive as archives
from service.backup import restore as restoring
from service.backup.archive import FORMAT
from service.backup.backup import back_up
from service.backup.refused import BackupRefusedError
from service.backup.restore import restore
from service.errors import NotFoundError, RegistryRefusedError, StoreRefusedError
from service.registry.audit import Action, ActorKind
from service.registry.database.connection import path_of_url
from service.registry.database.schema import head_revision
from service.registry.registry import open_registry
from service.registry.tables.access import SECRET_TABLES
from service.store.sqlite.file import SCHEMA_VERSION
from service.times import format_moment
from tests.backup.conftest import (
    NOW,
    contents,
    everything_in,
    fill,
    manifest_of,
    members,
    place,
    write_members,
)


@pytest.fixture
def file(tmp_path):
    return tmp_path / "backup.tar"


def test_what_comes_back_is_what_was_there(full, new, file, tmp_path):
    before = contents(full)
    manifest = back_up(full.config, file)
    done = restore(new.config, file)
    assert contents(new) == before
    assert (done.tanks, done.series) == (2, 1)
    assert manifest == done.manifest
    assert contents(full) == before
    found = everything_in(tmp_path / "new")
    assert {"deep/registry.db", "deep/er/readings.db"} <= set(found)
    assert set(found.values()) <= {0o600, 0o700}


def test_a_restore_is_recorded_in_the_registry_that_it_restored(full, new, file):
    back_up(full.config, file)
    done = restore(new.config, file)
    old, restored = (open_registry(one.config.registry.url) for one in (full, new))
    newest, *others = restored.audit()
    assert newest.action is Action.BACKUP_RESTORED
    assert newest.subject == f"backups/{format_moment(done.manifest.made)}"
    assert newest.actor.kind is ActorKind.USER
    assert others == old.audit()
    old.close()
    restored.close()


def test_where_a_restore_was_killed_nothing_starts_and_nothing_is_restored(full, new, file):
    """Killed between its two renames it leaves a store without registry: none is made beside it."""
    back_up(full.config, file)
    place = path_of_url(new.config.registry.url)
    place.parent.mkdir(parents=True)
    (place.parent / ".restore-killed").mkdir()
    with pytest.raises(BackupRefusedError, match=r"\.restore-killed: a restore is running, or"):
        restore(new.config, file)
    with (
        pytest.raises(BackupRefusedError, match="restore again"),
        opened(new.config, Missing.CREATE),
    ):
        pass
    assert not place.exists()
    (place.parent / ".restore-killed").rmdir()
    restore(new.config, file)
    with opened(new.config, Missing.CREATE) as application:
        assert len(application.registry.tanks()) == 2


def test_the_file_is_private_and_says_what_is_in_it(full, file, tmp_path):
    before = os.umask(0)
    try:
        back_up(full.config, file)
    finally:
        os.umask(before)
    assert file.stat().st_mode & 0o777 == 0o600
    found, manifest = members(file), manifest_of(file)
    assert list(found) == ["manifest.json", "registry.db", "store.db"]
    for name in ("registry.db", "store.db"):
        assert manifest["members"][name]["sha256"] == hashlib.sha256(found[name]).hexdigest()
        assert manifest["members"][name]["bytes"] == len(found[name])
    assert manifest["members"]["registry.db"]["revision"] == head_revision()
    assert manifest["members"]["store.db"]["revision"] == str(SCHEMA_VERSION)
    assert manifest["format"] == FORMAT and manifest["made"].endswith("Z")
    assert manifest["spooled"] == 7
    assert {path.name for path in tmp_path.iterdir()} == {"old", "backup.tar"}


def test_neither_key_nor_session_is_in_a_backup_and_a_restore_makes_a_new_key(
    full, new, file, tmp_path
):
    registry = open_registry(full.config.registry.url)
    key = registry.signing_key("session")
    (token,) = registry.tokens()
    _, secret = registry.create_session(token.id, NOW, expires=NOW + timedelta(days=9))
    registry.close()
    back_up(full.config, file)
    assert key not in file.read_bytes()
    assert full.secret.encode() not in file.read_bytes()
    restore(new.config, file)
    registry = open_registry(new.config.registry.url)
    assert registry.signing_key("session") != key
    assert registry.session_of(secret, NOW, timedelta(days=9)) is None
    assert registry.login_sessions() == []
    assert registry.token_of(full.secret, NOW) is not None
    registry.close()
    with sqlite3.connect(path_of_url(full.config.registry.url)) as raw:
        for table in SECRET_TABLES:
            raw.execute(f"SELECT * FROM {table}")  # each is a table of the schema
    raw.close()


def test_a_backup_overwrites_nothing(full, file, tmp_path):
    file.write_text("precious")
    with pytest.raises(BackupRefusedError, match="exists; name a file that does not"):
        back_up(full.config, file)
    assert file.read_text() == "precious"
    with pytest.raises(BackupRefusedError, match="is no folder"):
        back_up(full.config, tmp_path / "nowhere" / "backup.tar")


def test_a_backup_of_nothing_is_refused(new, full, file, tmp_path):
    with pytest.raises(NotFoundError, match=r"store\.url: .*is not there"):
        back_up(new.config, file)
    half = place(tmp_path / "x", store=full.config.store.url)
    with pytest.raises(NotFoundError, match=r"registry\.url: .*is not there"):
        back_up(half.config, file)
    assert {path.name for path in tmp_path.iterdir()} == {"old"}


def test_a_disk_that_fills_leaves_no_half_backup(full, file, tmp_path, monkeypatch):
    def full_disk(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(archives.os, "fsync", full_disk)
    with pytest.raises(BackupRefusedError, match="No space left"):
        back_up(full.config, file)
    assert {path.name for path in tmp_path.iterdir()} == {"old"}


def test_what_a_killed_backup_left_is_removed_by_the_next(full, file, tmp_path):
    left = tmp_path / ".backup.tar.unfinished"
    left.mkdir()
    (left / "registry.db").write_text("half")
    back_up(full.config, file)
    assert {path.name for path in tmp_path.iterdir()} == {"old", "backup.tar"}


def test_a_registry_of_an_earlier_version_is_not_upgraded_by_its_backup(full, file):
    path = path_of_url(full.config.registry.url)
    with sqlite3.connect(path) as raw:
        raw.execute("UPDATE registry_version SET version_num = '0001'")
    raw.close()
    assert back_up(full.config, file).members["registry.db"].revision == "0001"
    with sqlite3.connect(path) as raw:
        assert raw.execute("SELECT version_num FROM registry_version").fetchone() == ("0001",)
    raw.close()


@pytest.mark.parametrize("end", ["", "-wal", "-shm", "-journal"])
@pytest.mark.parametrize("which", ["registry", "store"])
def test_a_restore_overwrites_nothing(full, new, file, tmp_path, which, end):
    back_up(full.config, file)
    url = getattr(new.config, which).url
    there = tmp_path / (url.removeprefix(f"sqlite:///{tmp_path}/") + end)
    there.parent.mkdir(parents=True)
    there.write_text("precious")
    before = everything_in(tmp_path / "new")
    with pytest.raises(BackupRefusedError, match=f"{there.name}: is there; a restore overwrites"):
        restore(new.config, file)
    assert there.read_text() == "precious"
    assert everything_in(tmp_path / "new") == before


def changed(**more):
    def change(found):
        document = json.loads(found["manifest.json"]) | more
        return {**found, "manifest.json": json.dumps(document).encode()}

    return change


def flipped(name):
    def change(found):
        data = bytearray(found[name])
        data[len(data) // 2] ^= 1
        return {**found, name: bytes(data)}

    return change


def replaced(name, data):
    def change(found):
        """The member and its checksum: by who can write both."""
        document = json.loads(found["manifest.json"])
        document["members"][name] |= {
            "bytes": len(data),
            "sha256": hashlib.sha256(data).hexdigest(),
        }
        return {**found, "manifest.json": json.dumps(document).encode(), name: data}

    return change


def without(name):
    return lambda found: {one: data for one, data in found.items() if one != name}


@pytest.mark.parametrize(
    ("change", "error", "said"),
    [
        (flipped("registry.db"), BackupRefusedError, "registry.db is not what was written"),
        (flipped("store.db"), BackupRefusedError, "store.db is not what was written"),
        (without("store.db"), BackupRefusedError, "has no store.db"),
        (without("manifest.json"), BackupRefusedError, "has no manifest.json"),
        (changed(format=FORMAT + 1), BackupRefusedError, "update Littoral"),
        (changed(members={}), BackupRefusedError, "backup of format"),
        (changed(members=[]), BackupRefusedError, "cannot be read"),
        (changed(made="soon"), BackupRefusedError, "cannot be read"),
        (replaced("store.db", b"no database" * 1000), StoreRefusedError, "no SQLite file"),
        (replaced("store.db", b""), NotFoundError, "is empty"),
        (replaced("registry.db", b"no database" * 1000), RegistryRefusedError, "not a database"),
    ],
)
def test_a_damaged_or_foreign_archive_leaves_nothing(
    full, new, file, tmp_path, change, error, said
):
    back_up(full.config, file)
    write_members(file, change(members(file)))
    with pytest.raises(error, match=said):
        restore(new.config, file)
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("data", [b"", b"text", b"\0" * 10240])
def test_what_is_no_archive_is_refused(new, file, tmp_path, data):
    file.write_bytes(data)
    with pytest.raises(BackupRefusedError, match=r"is no backup|has no manifest"):
        restore(new.config, file)
    file.unlink()
    with pytest.raises(BackupRefusedError, match="is not there"):
        restore(new.config, file)
    assert not (tmp_path / "new").exists()


def test_a_cut_off_archive_leaves_nothing(full, new, file, tmp_path):
    back_up(full.config, file)
    whole = file.read_bytes()
    for share in (0.05, 0.5, 0.9):
        file.write_bytes(whole[: int(len(whole) * share)])
        with pytest.raises(BackupRefusedError):
            restore(new.config, file)
    assert not (tmp_path / "new").exists()


def test_databases_of_a_newer_version_are_refused(full, new, file, tmp_path):
    for which, statement, error in (
        ("registry", "UPDATE registry_version SET version_num = '9999'", RegistryRefusedError),
        ("store", f"PRAGMA user_version = {SCHEMA_VERSION + 1}", StoreRefusedError),
    ):
        source = fill(place(tmp_path / which))
        url = getattr(source.config, which).url
        with sqlite3.connect(url.removeprefix("sqlite:///")) as raw:
            raw.execute(statement)
        raw.close()
        if which == "store":
            with pytest.raises(error, match="newer"):
                back_up(source.config, file)
            continue
        back_up(source.config, file)
        with pytest.raises(error, match="newer"):
            restore(new.config, file)
        file.unlink()
    assert not (tmp_path / "new").exists()


def test_a_restore_that_fails_at_its_end_undoes_its_beginning(
    full, new, file, tmp_path, monkeypatch
):
    back_up(full.config, file)
    real, calls = restoring._place, []

    def second_fails(path, to, undo):
        calls.append(to)
        if len(calls) == 2:
            raise OSError(28, "No space left on device")
        real(path, to, undo)

    monkeypatch.setattr(restoring, "_place", second_fails)
    with pytest.raises(BackupRefusedError, match="No space left"):
        restore(new.config, file)
    assert len(calls) == 2
    assert not (tmp_path / "new").exists()


def test_members_go_nowhere_else(full, new, file, tmp_path):
    """Names that lead elsewhere are not looked at; links are no databases."""
    back_up(full.config, file)
    found = members(file)
    write_members(file, {"../escaped": b"x", "/tmp/escaped-littoral": b"x", **found})
    restore(new.config, file)
    assert not (tmp_path / "escaped").exists()
    assert {path.name for path in tmp_path.iterdir()} == {"old", "new", "backup.tar"}
