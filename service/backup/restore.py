"""Restores registry, pictures and store from an archive, into places where none of them is."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from service.backup.archive import (
    REGISTRY,
    STORE,
    Archive,
    Manifest,
    opened_archive,
)
from service.backup.backup import sync_folder
from service.backup.pictures import damaged_among
from service.backup.refused import BackupRefusedError
from service.backup.unfinished import PREFIX, refuse_unfinished_restore
from service.config import Config
from service.pictures.folder import folder_of
from service.private_files import make_folder
from service.registry.audit import Action, AuditedWrite
from service.registry.database.connection import path_of_url as registry_path
from service.registry.database.portable import is_there, load_registry, pictures_in, upgrade_copy
from service.registry.registry import open_registry
from service.store import open_store
from service.store.sqlite.file import path_of_url as store_path
from service.store.sqlite.store import SqliteStore
from service.store.transfer.copy import copy
from service.times import format_moment
from service.urls import redacted

_BESIDE = ("", "-wal", "-shm", "-journal")


@dataclass(frozen=True, slots=True)
class Restored:
    """What was restored.

    Attributes:
        manifest: of the archive.
        tanks, series: how many.
    """

    manifest: Manifest
    tanks: int
    series: int


def restore(
    config: Config, archive: Path, *, on_progress: Callable[[float], None] = lambda share: None
) -> Restored:
    """Put an archive's registry, pictures and store where the configuration says.

    All are extracted beside their places, compared with the manifest, opened and checked before
    one gets its name; nothing is left behind when that fails. The service must not run.

    Args:
        on_progress: called with the fraction of readings written to a server.

    Raises:
        BackupRefusedError: something is in one of the places, or the archive is not usable.
        RegistryRefusedError, StoreRefusedError: written by a newer version.
        LittoralError: a server cannot be reached.
    """
    registry, store = registry_path(config.registry.url), _store_path(config)
    _refuse_what_is_there(config, registry, store)
    with ExitStack() as stack:
        try:
            with opened_archive(archive) as found:
                new_registry = _extracted(found, REGISTRY, registry, stack)
                new_store = _extracted(found, STORE, store, stack)
                new_pictures = _extracted_pictures(found, config, new_registry, stack)
            tanks = upgrade_copy(new_registry)
            _record(found.manifest, new_registry)
            with closing(SqliteStore(new_store, create=False)) as checked:
                checked.check()
                series = len(checked.series())
            with ExitStack() as undo:
                if new_pictures is not None:
                    _place_pictures(new_pictures, folder_of(config), undo)
                if store is None:
                    _load_store(new_store, config.store.url, undo, on_progress)
                else:
                    _place(new_store, store, undo)
                if registry is None:
                    load_registry(new_registry, config.registry.url)
                else:
                    _place(new_registry, registry, undo)
                undo.pop_all()
        except OSError as error:
            raise BackupRefusedError(f"nothing was restored: {error}") from error
    return Restored(found.manifest, tanks, series)


def _record(manifest: Manifest, registry: Path) -> None:
    """Who restored, in the registry that is restored."""
    with closing(open_registry(f"sqlite:///{registry}", create=False)) as opened:
        subject = f"backups/{format_moment(manifest.made)}"
        opened.record(AuditedWrite(Action.BACKUP_RESTORED, subject))


def _store_path(config: Config) -> Path | None:
    return store_path(config.store.url) if config.store.url.startswith("sqlite:") else None


def _refuse_what_is_there(config: Config, registry: Path | None, store: Path | None) -> None:
    refuse_unfinished_restore(config)
    for path in filter(None, (registry, store)):
        for end in _BESIDE:
            beside = path.with_name(path.name + end)
            if beside.exists() or beside.is_symlink():
                raise BackupRefusedError(
                    f"{beside}: is there; a restore overwrites nothing: stop the service and move "
                    "it away, or name another place in the configuration"
                )
    if registry is None and is_there(config.registry.url):
        raise _occupied(config.registry.url)
    if store is None:
        with closing(open_store(config.store.url)) as server:
            if server.series():
                raise _occupied(config.store.url)


def _occupied(url: str) -> BackupRefusedError:
    return BackupRefusedError(
        f"{redacted(url)}: is not empty; a restore overwrites nothing: name an empty database"
    )


def _extracted(archive: Archive, name: str, place: Path | None, stack: ExitStack) -> Path:
    """One database of the archive, in a folder of its own beside its place."""
    beside = None if place is None else _beside(place, stack)
    path = Path(stack.enter_context(TemporaryDirectory(prefix=PREFIX, dir=beside))) / name
    archive.extract(name, path)
    return path


def _beside(place: Path, stack: ExitStack) -> Path:
    """The folder that something is to be in; made, and removed again if it is empty at the end."""
    beside = place.parent
    missing = [one for one in (beside, *beside.parents) if not one.exists()]
    make_folder(beside)
    for folder in reversed(missing):
        stack.callback(_remove_if_empty, folder)
    return beside


def _extracted_pictures(
    archive: Archive, config: Config, registry: Path, stack: ExitStack
) -> Path | None:
    """The pictures of the archive, in a folder beside their place; None where there are none."""
    if not archive.manifest.pictures.files:
        return None
    place = folder_of(config)
    if place.exists() and any(place.iterdir()):
        raise BackupRefusedError(
            f"{place}: is not empty; a restore overwrites nothing: move it away, or name another "
            "folder as pictures.folder"
        )
    beside = _beside(place, stack)
    folder = Path(stack.enter_context(TemporaryDirectory(prefix=PREFIX, dir=beside))) / "pictures"
    make_folder(folder)
    archive.extract_pictures(folder)
    if damaged := damaged_among(pictures_in(registry), folder):
        raise BackupRefusedError(
            f"{len(damaged)} pictures of it are not what was written, such as {damaged[0]}; it is "
            "damaged"
        )
    return folder


def _place_pictures(folder: Path, to: Path, undo: ExitStack) -> None:
    """Give the pictures their folder, which is not there or empty."""
    make_folder(to)
    for file in sorted(folder.iterdir()):
        file.rename(to / file.name)
        undo.callback((to / file.name).unlink)
    sync_folder(to)


def _remove_if_empty(folder: Path) -> None:
    with contextlib.suppress(OSError):
        folder.rmdir()


def _load_store(
    path: Path, url: str, undo: ExitStack, on_progress: Callable[[float], None]
) -> None:
    with closing(SqliteStore(path, create=False)) as source, closing(open_store(url)) as target:
        keys = [info.key for info in source.series()]
        undo.callback(_unload, url, {key.tank for key in keys})
        copy(source, target, keys, on_progress=on_progress)


def _unload(url: str, tanks: set[str]) -> None:
    with closing(open_store(url)) as store:
        for tank in tanks:
            store.delete_tank(tank)


def _place(path: Path, to: Path, undo: ExitStack) -> None:
    """Give a file its name."""
    if to.exists():
        raise BackupRefusedError(f"{to}: was made meanwhile; is the service running?")
    path.rename(to)
    undo.callback(to.unlink)
    sync_folder(to.parent)
