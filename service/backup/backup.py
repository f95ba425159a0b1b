"""Backs up registry, pictures and store together, while the service runs."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from service.backup.archive import REGISTRY, STORE, Manifest, write_archive
from service.backup.pictures import source_of, stage, staged_of
from service.backup.refused import BackupRefusedError
from service.config import Config
from service.private_files import create_file, make_folder
from service.registry.database.portable import copy_registry, pictures_in, spooled_in
from service.store import Store, open_store
from service.store.sqlite.file import SCHEMA_VERSION
from service.store.sqlite.store import SqliteStore
from service.store.transfer.copy import copy


def back_up(
    config: Config, to: Path, *, on_progress: Callable[[float], None] = lambda share: None
) -> Manifest:
    """Write registry, pictures and store into a new archive file, readable by its owner alone.

    Each is copied as it is at one moment after the call (a store on a server: series by series);
    so all that was acknowledged before the call is in it, except readings in the ingester's spool.
    The file gets its name when it is complete and on the disk.

    Args:
        on_progress: called with the fraction of readings copied from a server.

    Raises:
        BackupRefusedError: the file exists, or its folder cannot be written.
        NotFoundError: there is no registry or no store.
        LittoralError: one of them cannot be read.
    """
    if to.exists():
        raise BackupRefusedError(f"{to}: exists; name a file that does not")
    if not to.parent.is_dir():
        raise BackupRefusedError(f"{to.parent}: is no folder")
    made = datetime.now(UTC)
    folder = to.with_name(f".{to.name}.unfinished")
    try:
        shutil.rmtree(folder, ignore_errors=True)  # of a backup that was killed
        make_folder(folder)
        with closing(open_store(config.store.url, create=False)) as store:
            _copy_store(store, folder / STORE, on_progress)
        source, staged = source_of(config), folder / "pictures"
        stage(source, staged)
        revision = copy_registry(config.registry.url, folder / REGISTRY)
        pictures = staged_of(pictures_in(folder / REGISTRY), source, staged)
        databases = {
            REGISTRY: (folder / REGISTRY, revision),
            STORE: (folder / STORE, str(SCHEMA_VERSION)),
        }
        spooled = spooled_in(folder / REGISTRY)
        manifest = write_archive(folder / "archive.tar", made, spooled, databases, pictures)
        if to.exists():
            raise BackupRefusedError(f"{to}: exists; name a file that does not")
        (folder / "archive.tar").rename(to)
        sync_folder(to.parent)
    except OSError as error:
        raise BackupRefusedError(f"{to}: cannot be written ({error.strerror})") from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return manifest


def _copy_store(store: Store, to: Path, on_progress: Callable[[float], None]) -> None:
    if isinstance(store, SqliteStore):
        store.back_up(to)
        return
    time.sleep(store.visible_after_s)  # what was acknowledged is then answered
    create_file(to)
    with closing(SqliteStore(to)) as target:
        keys = [info.key for info in store.series()]
        copy(store, target, keys, on_progress=on_progress)


def sync_folder(folder: Path) -> None:
    """Wait until the disk has the names in a folder."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
