"""Files and rows of pictures go together, whatever happens in between."""

import logging
import os
import stat
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from service.config import Config, PicturesConfig, RegistryConfig
from service.errors import ConfigError, ConflictError, InvalidInputError, NotFoundError
from service.pictures.album import Album, NoRoomError
from service.pictures.folder import LostPictureError, folder_of
from service.registry.models.log import LogKind
from service.registry.models.pictures import MOST_OF_AN_ENTRY
from service.registry.models.tank import Tank
from tests.pictures.samples import Sent, names, picture, read_here
from tests.registries import sqlite_registry

NOW = datetime(2025, 6, 4, 12, tzinfo=UTC)
ONE, TWO = picture(), picture("PNG")


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    read_here(monkeypatch)


@pytest.fixture
def config(tmp_path):
    return Config(registry=RegistryConfig(f"sqlite:///{tmp_path / 'registry.db'}"))


@pytest.fixture
def registry(tmp_path):
    opened = sqlite_registry(tmp_path / "registry.db")
    opened.put_tank(Tank("riffle", "Riffle"))
    yield opened
    opened.close()


@pytest.fixture
def album(config, registry):
    return Album(config, registry)


@pytest.fixture
def log(album, registry):
    def add(*data, id=None):
        with album.taken([Sent(one) for one in data], id) as sent:
            return registry.add_log(
                "riffle", LogKind.OBSERVATION, NOW, note="new leaves", recorded=NOW, id=id,
                pictures=sent,
            )  # fmt: skip

    return add


def test_beside_the_registry_for_its_owner_alone(album, log, registry, tmp_path):
    entry = log(ONE, TWO)
    first, second = registry.pictures("riffle")
    assert (first.entry, first.time, first.kind, first.note) == (
        entry.id,
        NOW,
        LogKind.OBSERVATION,
        "new leaves",
    )
    folder = tmp_path / "registry.pictures"
    assert names(folder) == sorted(
        f"{one.id}{end}" for one in (first, second) for end in (".jpg", ".small.jpg")
    )
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(one.stat().st_mode) for one in folder.iterdir()} == {0o600}
    assert entry.id not in first.id and len(first.id) == 32
    assert len(album.content(first)) == first.file.bytes
    assert len(album.content(first, small=True)) == first.thumbnail.bytes


def test_the_same_picture_twice_is_one(log, registry):
    entry = log(ONE, ONE)
    assert len(registry.pictures("riffle", entries=[entry.id])) == 1


def test_the_same_entry_again_is_one_set_and_reads_nothing_anew(log, registry, monkeypatch):
    entry = log(ONE, TWO, id="e1")
    before = registry.pictures("riffle")
    monkeypatch.setattr("service.pictures.intake._decoded", None)
    assert log(ONE, TWO, id="e1") == entry
    assert registry.pictures("riffle") == before


def test_the_same_entry_with_other_pictures_is_refused_and_leaves_no_file(log, album, registry):
    log(ONE, id="e1")
    before = names(album.folder.path)
    with pytest.raises(ConflictError, match="exists already with other pictures"):
        log(TWO, id="e1")
    assert names(album.folder.path) == before
    assert len(registry.pictures("riffle")) == 1


def test_an_entry_that_is_refused_leaves_no_file(album, registry):
    with album.taken([Sent(ONE)]) as sent, pytest.raises(NotFoundError):
        registry.add_log("nowhere", LogKind.OBSERVATION, NOW, note="x", pictures=sent)
    assert names(album.folder.path) == []
    with pytest.raises(InvalidInputError), album.taken([Sent(ONE), Sent(b"<svg/>", "/picture/1")]):
        raise AssertionError("the second is refused")
    assert names(album.folder.path) == []


def test_all_roads_of_deleting_remove_the_files(album, log, registry):
    first, second, third = log(ONE), log(ONE, TWO), log(TWO)
    registry.delete_log(first.id)
    album.remove_deleted()
    assert len(names(album.folder.path)) == 6
    (one, other) = registry.pictures("riffle", entries=[second.id])
    registry.delete_picture("riffle", one.id)
    album.remove_deleted()
    assert registry.pictures("riffle", entries=[second.id]) == [other]
    assert len(names(album.folder.path)) == 4
    with pytest.raises(NotFoundError):
        registry.delete_picture("riffle", one.id)
    registry.delete_tank("riffle")
    assert registry.pictures("riffle") == []
    album.remove_deleted()
    assert names(album.folder.path) == [] and registry.deleted_pictures() == []
    assert third.id


def test_what_cannot_be_removed_now_is_removed_later(album, log, registry, monkeypatch, caplog):
    entry = log(ONE)
    registry.delete_log(entry.id)

    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    with monkeypatch.context() as broken:
        broken.setattr("pathlib.Path.unlink", refuse)
        album.remove_deleted()
    assert "cannot be removed: Permission denied" in caplog.text
    assert len(names(album.folder.path)) == 2
    album.sweep()
    assert names(album.folder.path) == [] and registry.deleted_pictures() == []


def test_files_that_no_row_names_are_swept_when_they_are_old(album, log, registry):
    log(ONE)
    kept = names(album.folder.path)
    folder = album.folder.path
    old, new, foreign = ("a" * 32, "b" * 32, "holiday.jpg")
    for name in (f"{old}.jpg", f"{old}.small.jpg.part", f"{new}.jpg", foreign):
        (folder / name).write_bytes(b"x")
    for one in folder.iterdir():
        if one.name != f"{new}.jpg":
            os.utime(one, (1, 1))
    album.sweep()
    assert names(folder) == sorted([*kept, f"{new}.jpg", foreign])


def test_lost_and_damaged_files_are_reported(album, log, registry):
    log(ONE)
    (one,) = registry.pictures("riffle")
    path = album.folder.file(one.id)
    data = path.read_bytes()
    path.write_bytes(data[:-1] + b"x")
    assert album.folder.has(one)
    with pytest.raises(LostPictureError, match="is damaged; a backup may have it"):
        album.content(one)
    path.write_bytes(data + b"x")
    assert not album.folder.has(one)
    with pytest.raises(LostPictureError, match="is damaged"):
        album.content(one)
    path.unlink()
    with pytest.raises(LostPictureError, match="is lost"):
        album.content(one)
    assert album.content(one, small=True)


def test_a_tank_has_a_quota(config, registry):
    album = Album(replace(config, pictures=PicturesConfig(tank_mb=0.003)), registry)
    with album.taken([Sent(ONE)]) as sent:
        entry = registry.add_log("riffle", LogKind.OBSERVATION, NOW, note="x", pictures=sent)
    more = [Sent(TWO), Sent(picture(size=(200, 99)))]
    refused = pytest.raises(InvalidInputError, match=r"pictures.tank_mb\); delete some first")
    with album.taken(more, entry.id) as sent, refused:
        registry.add_pictures("riffle", entry.id, sent)
    assert len(names(album.folder.path)) == 2


def test_an_entry_has_so_many_pictures(album, log, registry):
    entry = log(ONE)
    with album.taken([Sent(TWO)], entry.id) as sent:
        (new,) = sent.new
        many = [replace(new, id=f"{n:032x}", source_sha256=str(n)) for n in range(MOST_OF_AN_ENTRY)]
        with pytest.raises(InvalidInputError, match="'25 of one entry'; allowed: up to 24"):
            registry.add_pictures("riffle", entry.id, replace(sent, new=tuple(many)))


def test_a_full_disk_is_reported(log, album, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(NoRoomError, match="cannot be written: No space left on device"):
        log(ONE)
    assert names(album.folder.path) == []


def test_with_a_server_for_the_registry_the_folder_is_configured(registry, tmp_path, caplog):
    server = Config(registry=RegistryConfig("postgresql://littoral@localhost/littoral"))
    with pytest.raises(ConfigError, match=r"^pictures.folder is missing"):
        folder_of(server)
    with pytest.raises(ConfigError), Album(server, registry).taken([Sent(ONE)]):
        raise AssertionError
    with caplog.at_level(logging.WARNING):
        Album(server, registry).sweep()
        Album(server, registry).remove_deleted()
    assert caplog.text == ""
    named = replace(server, pictures=PicturesConfig(folder=str(tmp_path / "album")))
    assert folder_of(named) == tmp_path / "album"
