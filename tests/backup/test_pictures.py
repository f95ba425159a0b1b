"""Pictures in a backup: those of the registry's rows, checked; what was lost before is counted."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.backup import restore as restoring
from service.backup.archive import PictureCount
from service.backup.backup import back_up
from service.backup.refused import BackupRefusedError
from service.backup.restore import restore
from service.config import PicturesConfig
from service.errors import StoreRefusedError
from service.pictures.album import Album
from service.pictures.folder import folder_of
from service.registry.models.log import LogKind
from service.registry.registry import open_registry
from tests.backup.conftest import NOW, everything_in, members, write_members
from tests.pictures.samples import Sent, names, picture, read_here


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    read_here(monkeypatch)


@pytest.fixture
def file(tmp_path):
    return tmp_path / "backup.tar"


@pytest.fixture
def taken(full):
    """The full place with two pictures of an entry, and a file that no row names."""
    registry = open_registry(full.config.registry.url)
    album = Album(full.config, registry)
    with album.taken([Sent(picture()), Sent(picture("PNG"))]) as sent:
        registry.add_log("reed", LogKind.OBSERVATION, NOW, note="new leaves", pictures=sent)
    found = registry.pictures("reed")
    registry.close()
    (album.folder.path / f"{'a' * 32}.jpg").write_bytes(b"of a process that was killed")
    return found


def content_of(one):
    registry = open_registry(one.config.registry.url)
    album = Album(one.config, registry)
    pictures = registry.pictures("reed")
    registry.close()
    return {each: (album.content(each), album.content(each, small=True)) for each in pictures}


def test_a_backup_comes_back_with_its_pictures(full, new, file, taken, tmp_path):
    before = content_of(full)
    manifest = back_up(full.config, file)
    size = sum(len(data) for pair in before.values() for data in pair)
    assert manifest.pictures == PictureCount(files=4, bytes=size, lost=0)
    restore(new.config, file)
    assert content_of(new) == before and set(before) == set(taken)
    found = everything_in(tmp_path / "new")
    assert found["deep/registry.pictures"] == 0o700
    assert set(found.values()) <= {0o600, 0o700}
    assert names(folder_of(new.config)) == sorted(
        name for name in names(folder_of(full.config)) if not name.startswith("aaaa")
    )


def test_they_go_where_the_configuration_says(full, new, file, taken, tmp_path):
    elsewhere = replace(new.config, pictures=PicturesConfig(folder=str(tmp_path / "x" / "album")))
    back_up(full.config, file)
    restore(elsewhere, file)
    assert len(names(tmp_path / "x" / "album")) == 4


def test_what_is_lost_or_damaged_is_counted_and_stops_nothing(full, new, file, taken):
    first, second = taken
    folder = folder_of(full.config)
    (folder / f"{first.id}.jpg").unlink()
    (folder / f"{second.id}.small.jpg").write_bytes(b"damaged")
    assert back_up(full.config, file).pictures.lost == 2
    assert restore(new.config, file).manifest.pictures.files == 2
    assert names(folder_of(new.config)) == sorted([f"{first.id}.small.jpg", f"{second.id}.jpg"])


@pytest.mark.parametrize("how", ["changed", "left out"])
def test_a_damaged_archive_restores_nothing(full, new, file, taken, how, tmp_path):
    back_up(full.config, file)
    found = members(file)
    name = f"pictures/{taken[0].id}.jpg"
    if how == "changed":
        found[name] = found[name][:-1] + b"x"
    else:
        del found[name]
    write_members(file, found)
    with pytest.raises(BackupRefusedError, match="damaged"):
        restore(new.config, file)
    assert not (tmp_path / "new").exists()


def test_a_restore_overwrites_no_pictures_and_leaves_none_behind(
    full, new, file, taken, monkeypatch
):
    back_up(full.config, file)
    folder = folder_of(new.config)
    folder.mkdir(parents=True)
    (folder / "holiday.jpg").write_bytes(b"mine")
    with pytest.raises(BackupRefusedError, match=r"registry\.pictures: is not empty"):
        restore(new.config, file)
    (folder / "holiday.jpg").unlink()

    def fail(*_):
        raise StoreRefusedError("no")

    monkeypatch.setattr(restoring, "_place", fail)
    with pytest.raises(StoreRefusedError):
        restore(new.config, file)
    assert names(folder) == []


def test_names_of_other_places_are_passed_over(full, new, file, taken, tmp_path):
    back_up(full.config, file)
    evil = {"pictures/../../evil.jpg": b"x", "pictures/evil.sh": b"x"}
    write_members(file, members(file) | evil)
    restore(new.config, file)
    assert not [one for one in everything_in(tmp_path) if "evil" in one]
