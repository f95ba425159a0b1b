"""What the processes of ``littoral up`` must not import: each of them is memory of a small board.

Figures: ``python -m tests.bench.memory``.
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from demo.history import Past, register
from demo.tanks import scenario
from service.app.heap import bound_heap
from service.registry.registry import open_registry
from service.store import open_store
from tests.bench.home import QUESTIONS

#: What one process or the other needs, or neither until it is asked for.
HEAVY = {
    "difflib", "email.headerregistry", "flask", "icalendar", "influxdb_client", "jinja2",
    "numpy", "numpy.ma", "numpy.polynomial", "PIL", "pint", "prometheus_client", "psycopg",
    "requests", "scipy", "segno", "service.derive", "service.registry.species.table",
    "service.science.carbonate.equilibrium", "smtplib", "sqlalchemy",
    "sqlalchemy.dialects.postgresql", "tarfile",
}  # fmt: skip
UP = "import service.cli.processes.up"
INGEST = "import ingest.app, service.cli.processes.ingest, service.store.sqlite.store"
SERVE = "import service.app.serving, service.cli.processes.serve, service.store.sqlite.store"
SERVE_NEEDS = {
    "difflib", "flask", "jinja2", "numpy", "prometheus_client", "service.derive",
    "service.registry.species.table", "service.science.carbonate.equilibrium", "sqlalchemy",
}  # fmt: skip
#: Evaluates and answers as a service does, without a broker.
SERVED = """
import sys
from service.app.app_factory import create_app
from service.app.application import opened
from service.config import load_config
store, registry, *paths = sys.argv[1:]
urls = {"LITTORAL_STORE__URL": store, "LITTORAL_REGISTRY__URL": registry}
with opened(load_config(None, urls | {"LITTORAL_ADVICE__PUBLISH": "false"})) as it:
    it.scheduler.evaluate_all()
    client = create_app(it).test_client()
    assert {client.get(path).status_code for path in paths} == {200}
"""


@pytest.mark.parametrize(
    ("imports", "needed"),
    [
        (UP, set()),
        (INGEST, {"numpy", "sqlalchemy"}),
        (SERVE, SERVE_NEEDS),
    ],
    ids=["up", "ingest", "serve"],
)
def test_a_process_imports_what_it_needs(imports, needed):
    assert imported(imports) & HEAVY == needed


def test_evaluations_and_answers_import_no_more(tmp_path):
    """numpy, pint and others import when a function is first called, and few notice."""
    urls = [f"sqlite:///{tmp_path}/{name}.db" for name in ("readings", "registry")]
    made = scenario(datetime.now(UTC).replace(second=0, microsecond=0))
    made = replace(made, tanks=made.tanks[:1])
    store, registry = open_store(urls[0]), open_registry(urls[1])
    register(made, registry)
    Past(made, 2, seed=5).lay_in(store, lambda _: None)
    store.close()
    registry.close()
    tank = made.tanks[0].tank.id
    asked = [path.format(tank=tank) for path in (*QUESTIONS, "/metrics") if path != "/readyz"]
    assert imported(SERVED, *urls, *asked) & HEAVY == SERVE_NEEDS


def imported(code, *arguments):
    """The modules of a process that has run some code."""
    printed = run(f"{code}\nimport sys; print(*sys.modules)", *arguments)
    return set(printed.splitlines()[-1].split())


def run(code, *arguments):
    """What a process of its own prints that runs some code."""
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        capture_output=True, text=True, timeout=300, check=True,
    )  # fmt: skip
    return done.stdout


def test_the_heap_is_bounded_where_the_c_library_can():
    """On glibc, which Debian has."""
    assert run("from service.app.heap import bound_heap; print(bound_heap())") == "True\n"


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
    assert run(code) == "2000000\n"


def test_what_is_loaded_is_no_longer_gone_through_for_garbage():
    """What comes later is; ``gc.get_objects`` leaves out what is frozen."""
    code = (
        "import gc; import service.app.serving; from service.app.heap import exempt_loaded; "
        "before = len(gc.get_objects()); exempt_loaded(); left = len(gc.get_objects()); "
        "cycle = []; cycle.append(cycle); del cycle; "
        "print(gc.get_freeze_count() > 0.9 * before, left < 0.01 * before, gc.collect())"
    )
    assert run(code) == "True True 1\n"
