"""Memory settings of a process that runs for months on a small board.

Without those of the C library's heap each thread gets an arena of its own, which keeps what was
once used, and blocks of up to 32 MB that were freed stay with the process: 15 to 20 MB of the
serving process.
"""

from __future__ import annotations

import ctypes
import gc
import sqlite3
import threading
from contextlib import closing
from typing import Final

#: From malloc.h of glibc, which never renumbers them.
_TRIM_THRESHOLD: Final = -1
_MMAP_THRESHOLD: Final = -3
_ARENA_MAX: Final = -8
#: Larger blocks go back to the system when they are freed; also what may stay free at the end of
#: the heap. Both are what glibc begins with: once they are set, they do not grow.
_KEPT_BYTES: Final = 131_072
_FIRST_TRIM_S: Final = 30.0
_TRIM_EVERY_S: Final = 600.0


def bound_heap() -> bool:
    """Use one arena and give large blocks back; whether this C library can (glibc).

    What is free by now goes back at once: importing leaves 5 MB of it.
    """
    library = ctypes.CDLL(None)
    if not hasattr(library, "mallopt"):
        return False
    library.mallopt(_ARENA_MAX, 1)
    library.mallopt(_MMAP_THRESHOLD, _KEPT_BYTES)
    library.mallopt(_TRIM_THRESHOLD, _KEPT_BYTES)
    library.malloc_trim(0)
    return True


def bound_page_caches(total_bytes: int) -> None:
    """Let the caches of all SQLite connections of this process together have so many bytes.

    Each may have 2 MB or more of its own otherwise. What is not in them is in the system's cache
    of files, which is nobody's memory in particular.
    """
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.execute(f"PRAGMA soft_heap_limit = {total_bytes}")


def exempt_loaded() -> None:
    """Take what is loaded by now out of Python's garbage collection.

    A full collection goes through all objects, here for 90 ms and on a small board for most of a
    second, and nothing is answered meanwhile. Modules and their tables stay until the end anyway.
    """
    gc.freeze()


def trim_heap(stop: threading.Event) -> None:
    """Give free pages inside the heap back, half a minute after the start and then now and then."""
    library = ctypes.CDLL(None)
    wait_s = _FIRST_TRIM_S
    while hasattr(library, "malloc_trim") and not stop.wait(wait_s):
        library.malloc_trim(0)
        wait_s = _TRIM_EVERY_S
