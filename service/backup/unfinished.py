"""Restores that were killed before their end: nothing new is made where one of them stands."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from service.backup.refused import BackupRefusedError
from service.config import Config
from service.registry.database.connection import path_of_url as registry_path
from service.store.sqlite.file import path_of_url as store_path

PREFIX: Final = ".restore-"
"""Folders beside registry and store in which a restore extracts them; it removes them itself."""


def refuse_unfinished_restore(config: Config) -> None:
    """Make sure that no restore is running or was killed where registry and store are.

    Raises:
        BackupRefusedError: names its folder and what to do.
    """
    for path in sqlite_paths(config):
        for folder in sorted(path.parent.glob(f"{PREFIX}*")):
            raise BackupRefusedError(
                f"{folder}: a restore is running, or was killed before its end; when none is "
                f"running, move this folder and {path} away and restore again"
            )


def sqlite_paths(config: Config) -> list[Path]:
    """The files of registry and store, as far as they are files."""
    store = store_path(config.store.url) if config.store.url.startswith("sqlite:") else None
    return [path for path in (registry_path(config.registry.url), store) if path is not None]
