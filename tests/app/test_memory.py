"""What the processes of ``littoral up`` must not import or start: memory and time of a small board.

Figures: ``python -m tests.bench.memory``.
"""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from service.app.heap import bound_heap

#: What one process or the other needs, or neither until it is asked for.
HEAVY = {
    "flask", "icalendar", "influxdb_client", "jinja2", "numpy", "numpy.ma", "PIL", "pint",
    "prometheus_client", "psycopg", "qrcode", "requests", "scipy", "service.derive", "sqlalchemy",
    "sqlalchemy.dialects.postgresql",
}  # fmt: skip
UP = "import service.cli.processes.up"
INGEST = "import ingest.app, service.cli.processes.ingest, service.store.sqlite.store"
SERVE = "import service.app.serving, service.cli.processes.serve, service.store.sqlite.store"


@pytest.mark.parametrize(
    ("imports", "needed"),
    [
        (UP, set()),
        (INGEST, {"numpy", "sqlalchemy"}),
        (
            SERVE,
            {
                "flask", "jinja2", "numpy", "prometheus_client", "service.derive",
                "sqlalchemy",
            },
        ),
        (
            "import numpy as np; from service.science.numeric.sets import union; "
            "union(np.arange(3), np.arange(5))",
            {"numpy"},
        ),
    ],
    ids=["up", "ingest", "serve", "union"],
)  # fmt: skip
def test_a_process_imports_what_it_needs(imports, needed):
    done = subprocess.run(
        [sys.executable, "-c", f"{imports}; import sys; print(*sys.modules)"],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    assert set(done.stdout.split()) & HEAVY == needed


def test_the_heap_is_bounded_where_the_c_library_can():
    """On glibc, which Debian has."""
    done = subprocess.run(
        [sys.executable, "-c", "from service.app.heap import bound_heap; print(bound_heap())"],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    assert done.stdout == "True\n"


def test_another_c_library_is_left_alone(monkeypatch):
    monkeypatch.setattr("service.app.heap.ctypes.CDLL", lambda name: object())
    assert not bound_heap()


def test_page_caches_of_all_connections_have_one_bound():
    """As SQLite's documentation says of PRAGMA soft_heap_limit: it is of the whole process."""
    code = (
        "import sqlite3; from service.app.heap import bound_page_caches; "
        "bound_page_caches(2_000_000); other = sqlite3.connect(':memory:'); "
        "print(*other.execute('PRAGMA soft_heap_limit').fetchone())"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout == "2000000\n"


def test_matrices_have_no_threads_of_their_own():
    """Each would be a thread from numpy's import on; whoever sets a number has it."""
    code = (
        "import os, sys; from service.cli import main; sys.argv = ['littoral', '--version']\n"
        "try: main()\nexcept SystemExit: import numpy; print(len(os.listdir('/proc/self/task')))"
    )
    plain = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    for more, threads in (({}, 1), ({"OPENBLAS_NUM_THREADS": "2"}, min(2, os.cpu_count() or 1))):
        done = subprocess.run(
            [sys.executable, "-c", code], env=plain | more, capture_output=True, text=True,
            timeout=60, check=True,
        )  # fmt: skip
        assert int(done.stdout.split()[-1]) == threads
