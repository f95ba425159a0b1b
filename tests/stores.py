"""Stores in SQLite with readings, ready-made: filled once in a process of tests, copied for each.

Tests of how a store is written or made open one themselves.
"""

from __future__ import annotations

import atexit
import functools
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from service.store.sqlite.store import SqliteStore


@functools.cache
def _filled(fill: Callable[[SqliteStore], None]) -> Path:
    """The file of a store that was filled so, made once in a process of tests."""
    folder = Path(tempfile.mkdtemp(prefix="littoral-store-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    path = folder / "readings.db"
    store = SqliteStore(path)
    fill(store)
    store.close()
    assert [one.name for one in folder.iterdir()] == [path.name], "all of it is in one file"
    return path


def make_sqlite_store(path: Path, fill: Callable[[SqliteStore], None]) -> None:
    """Make a store in SQLite with what a function of a module writes into it."""
    assert not path.exists(), path
    shutil.copy(_filled(fill), path)
