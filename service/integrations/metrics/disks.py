"""Room on the disks of the databases: of the store, the registry and the ingester's spool."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from service.config import Config
from service.registry.database.connection import path_of_url as registry_path
from service.store.sqlite.file import path_of_url as store_path

LEAST_FREE_BYTES: Final = 16_000_000
"""With less, a disk counts as full: a batch and SQLite's log no longer fit for sure. Our choice."""


def database_paths(config: Config) -> dict[str, Path]:
    """The database files of a configuration by what they are; servers have none."""
    sqlite = config.store.url.startswith("sqlite:")
    found = {
        "registry": registry_path(config.registry.url),
        "store": store_path(config.store.url) if sqlite else None,
        "spool": Path(config.ingest.spool_path),
    }
    return {what: path for what, path in found.items() if path is not None}


def free_bytes(path: Path) -> int | None:
    """What a file may still grow by, for one who is not root; None where its folder is missing."""
    try:
        found = os.statvfs(path.parent)
    except OSError:
        return None
    return found.f_bavail * found.f_frsize


def full_disks(paths: Mapping[str, Path]) -> list[str]:
    """A sentence for each database whose disk is full."""
    return [
        f"the disk of the {what} is full: {free / 1e6:.1f} MB are free at {path.parent}; make room"
        for what, path in paths.items()
        if (free := free_bytes(path)) is not None and free < LEAST_FREE_BYTES
    ]
