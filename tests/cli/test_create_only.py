"""Commands that expect a registry or store refuse when it is missing, and make nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.cli import COMMANDS
from service.registry.models.tank import Tank
from service.registry.registry import open_registry
from service.store import Reading, open_store
from tests.cli.conftest import refused

CSV = "time,temperature\n2026-03-01T22:41:17Z,24.5\n"
REGISTRY, STORE = "var/registry.db", "var/littoral.db"
REFUSED = [
    ("audit",),
    ("backup", "copy.tar"),
    ("copy", "--from", f"sqlite:///{STORE}", "--to", "sqlite:///other.db"),
    ("export", "reed"),
    ("export", "reed", "--output", "reed.csv"),
    ("import", "log.csv", "--tank", "reed"),
    ("import", "log.csv", "--tank", "reed", "--dry-run"),
    ("integration", "clear"),
    ("key", "rotate"),
    ("recalibrate", "reed"),
    ("session", "end", "--all"),
    ("session", "list"),
    ("store", "check"),
    ("store", "rebuild"),
    ("store", "prune", "--raw", "30"),
    ("token", "create", "phone"),
    ("token", "list"),
    ("token", "revoke", "none"),
]
"""Each expects registry, store or both where the configuration says."""
ASK_A_SERVICE = [
    ("absence", "list"),
    ("advice",),
    ("calibration", "list", "reed"),
    ("log", "list", "reed"),
    ("log", "trim", "reed"),
    ("nutrients", "reed"),
    ("observations", "reed"),
    ("route", "list"),
    ("share", "--list"),
    ("status",),
    ("tank", "list"),
    ("tank", "set", "reed", "kh", "4 dKH"),
    ("trial", "list", "reed"),
    ("watch", "--count", "1"),
    ("what-if", "reed", "--photoperiod", "7h"),
]
WITHOUT_ANY = [
    ("co2", "--ph", "6.6", "--kh", "4", "--temperature", "24"),
    ("openapi",),
]
CREATE = {"up", "serve", "ingest", "demo", "restore", "init"}
"""These make what is missing, ``init`` a configuration alone; ``ingest --dry-run`` and ``check`` do
not and are tried below."""


@pytest.fixture
def empty(tmp_path, monkeypatch):
    """An empty folder to work in, with a list of what is in it."""
    monkeypatch.chdir(tmp_path)

    def found():
        return {str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*")}

    return found


def test_every_command_is_tried():
    tried = {words[0] for words in [*REFUSED, *ASK_A_SERVICE, *WITHOUT_ANY]}
    assert tried | CREATE | {"check"} == set(COMMANDS)


@pytest.mark.parametrize("words", REFUSED, ids=" ".join)
def test_refused_in_one_line_that_says_what_to_do(littoral, empty, words):
    if words[0] == "import":
        Path("log.csv").write_text(CSV)
    before = empty()
    outcome = littoral(*words)
    refused(outcome, "is not there", "--config", "littoral up")
    assert REGISTRY in outcome.err or STORE in outcome.err
    assert empty() == before


@pytest.mark.parametrize("words", REFUSED, ids=" ".join)
def test_empty_files_are_no_registry_and_no_store(littoral, empty, words):
    """Such as a mount or a `touch` leaves."""
    Path("var").mkdir()
    for name in (REGISTRY, STORE):
        Path(name).touch()
    if words[0] == "import":
        Path("log.csv").write_text(CSV)
    refused(littoral(*words), "is empty", "littoral up")
    assert {Path(name).stat().st_size for name in (REGISTRY, STORE)} == {0}


@pytest.mark.parametrize("words", [*ASK_A_SERVICE, *WITHOUT_ANY], ids=" ".join)
def test_what_asks_a_service_or_nothing_makes_nothing(littoral, empty, monkeypatch, words):
    monkeypatch.setenv("LITTORAL_URL", "http://127.0.0.1:9")
    outcome = littoral(*words)
    assert outcome.code == (0 if words in WITHOUT_ANY else 2)
    assert empty() == set()


def test_check_and_dry_run_make_nothing(littoral, empty, mosquitto, monkeypatch):
    monkeypatch.setenv("LITTORAL_MQTT__URL", mosquitto.url)
    outcome = littoral("check")
    assert (outcome.code, outcome.out) == (0, "in order\n")
    assert littoral("ingest", "--dry-run", "--seconds", "0.2").code == 0
    assert empty() == set()


def test_init_makes_a_configuration_alone(littoral, empty):
    assert littoral("init").code == 0
    assert empty() == {"littoral.toml"}


def test_check_creates_when_it_is_asked_to(littoral, empty):
    assert littoral("check", "--create").code == 0
    assert {REGISTRY, STORE} <= empty()
    assert littoral("token", "create", "phone").code == 0


def test_check_says_that_a_folder_cannot_be_made(littoral, empty, monkeypatch):
    Path("var").write_text("a file in the folder's place")
    refused(littoral("check"), "var", "cannot be made")


def test_a_tank_that_is_not_there(littoral, empty):
    Path("var").mkdir()
    with_registry = open_registry(f"sqlite:///{REGISTRY}")
    with_registry.put_tank(Tank("reed", "Reed"))
    with_registry.close()
    store = open_store(f"sqlite:///{STORE}")
    store.write([Reading("reed", "ph", "main", 1_772_404_877_000_000, 6.6)])
    Path("log.csv").write_text(CSV)
    for words in (
        ("import", "log.csv", "--tank", "nosuchtank"),
        ("import", "log.csv", "--tank", "nosuchtank", "--dry-run"),
        ("import", "log.csv", "--tank", "nosuchtank", "--store", f"sqlite:///{STORE}"),
        ("recalibrate", "nosuchtank"),
        ("export", "nosuchtank"),
        ("copy", "--from", f"sqlite:///{STORE}", "--to", "sqlite:///b.db", "--tank", "nosuchtank"),
        (
            *("copy", "--from", f"sqlite:///{STORE}", "--to", "sqlite:///b.db"),
            *("--tank", "reed", "--tank", "nosuchtank"),
        ),
    ):
        refused(littoral(*words), "'nosuchtank'")
    assert [info.key.tank for info in store.series()] == ["reed"]
    assert not Path("b.db").exists()
    store.close()


def test_rows_of_a_tank_that_is_not_there_are_rejected(littoral, empty):
    Path("var").mkdir()
    registry = open_registry(f"sqlite:///{REGISTRY}")
    registry.put_tank(Tank("reed", "Reed"))
    registry.close()
    store = open_store(f"sqlite:///{STORE}")
    Path("log.csv").write_text(
        "time,tank,quantity,value\n"
        "2026-03-01T22:41:17Z,reed,ph,6.6\n2026-03-01T22:41:17Z,nosuchtank,ph,6.6\n"
    )
    outcome = littoral("import", "log.csv")
    assert outcome.code == 1
    assert "tank is 'nosuchtank'; allowed: the id of a registered tank" in outcome.err
    assert [info.key.tank for info in store.series()] == ["reed"]
    store.close()


def test_import_makes_no_database_on_a_server(littoral, empty, influxdb, monkeypatch):
    registry = open_registry("sqlite:///registry.db")
    registry.put_tank(Tank("reed", "Reed"))
    registry.close()
    monkeypatch.setenv("LITTORAL_REGISTRY__URL", "sqlite:///registry.db")
    url = f"influx://127.0.0.1:{influxdb.port}/nosuchdatabase"
    Path("log.csv").write_text(CSV)
    words = ("import", "log.csv", "--tank", "reed", "--store", url)
    refused(littoral(*words), "has no database 'nosuchdatabase'", "littoral up")
    refused(littoral(*words), "has no database 'nosuchdatabase'")


def test_an_empty_postgresql_is_no_registry(littoral, empty, postgresql, monkeypatch):
    monkeypatch.setenv("LITTORAL_REGISTRY__URL", postgresql.emptied())
    refused(littoral("token", "create", "phone"), "is empty", "littoral up")
    assert littoral("check").code == 0
    refused(littoral("token", "list"), "is empty")
