"""The schema: made once by several processes, upgraded from every version, newer ones refused."""

import json
import sqlite3
import time
from datetime import UTC, date, datetime
from datetime import time as at

import pytest
import sqlalchemy
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text

from service import database_file
from service.errors import RegistryRefusedError, RegistryUnavailableError
from service.registry.checks import check_tank
from service.registry.database.connection import make_engine
from service.registry.database.migrate import migrate
from service.registry.database.schema import VERSION_TABLE, head_revision, revision_of
from service.registry.models.plans import (
    Cylinder,
    GasPlan,
    LightPlan,
    PlantTargets,
    WaterChangePlan,
)
from service.registry.models.tank import Plant, Stock, Tank
from service.registry.registry import open_registry
from service.registry.tables.advice import RecommendationRow
from service.registry.tables.base import Base
from service.registry.tables.events import EventRow
from tests.another_process import AnotherProcess


def _script():
    config = Config()
    config.set_main_option("script_location", "service.registry:migrations")
    config.set_main_option("path_separator", "os")
    return ScriptDirectory.from_config(config)


REVISIONS = [revision.revision for revision in _script().walk_revisions()][::-1]


def differences(engine):
    """What alembic would still change to reach the models."""
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
        return compare_metadata(context, Base.metadata)


@pytest.fixture
def engine(registry_url):
    engine = make_engine(registry_url)
    yield engine
    engine.dispose()


def test_the_newest_migration_is_known_without_alembic():
    assert head_revision() == _script().get_current_head()


def test_a_fresh_schema_is_what_the_models_say(engine):
    assert differences(engine) != []
    migrate(engine)
    assert differences(engine) == []
    with engine.connect() as connection:
        assert revision_of(connection) == REVISIONS[-1]


@pytest.mark.parametrize("revision", REVISIONS)
def test_every_earlier_version_is_upgraded_with_its_data(engine, registry_url, revision):
    migrate(engine, revision)
    document = '{"id": "old", "name": "Old"}'  # as small as the first version could have written
    with engine.begin() as connection:
        assert revision_of(connection) == revision
        connection.execute(
            text("INSERT INTO tank (id, name, document) VALUES ('old', 'Old', :document)"),
            {"document": document},
        )
    registry = open_registry(registry_url)
    assert registry.tanks() == [Tank("old", "Old")]
    assert differences(registry.engine) == []
    registry.close()


def test_fields_that_were_called_otherwise_are_read_under_their_new_names(engine, registry_url):
    """As version 0.1 wrote them, at revision 0004."""
    migrate(engine, "0004")
    document = {
        "id": "old",
        "name": "Old",
        "alkalinity_meq_l": 1.5,
        "alkalinity_tested": "2026-04-30",
        "water_change": {"tap_alkalinity_meq_l": 2.5, "target_alkalinity_meq_l": 1.0},
    }
    entries = {
        "kh-test": {"alkalinity_meq_l": 1.25},
        "water-change": {"fraction": 0.5, "alkalinity_meq_l": 2.5},
        "trim": {"share": 0.25, "part": "stems"},
        "replant": {"share": 0.5},
        "observation": {"share": 3, "alkalinity_meq_l": 7},
    }
    with engine.begin() as connection:
        connection.execute(
            text("INSERT INTO tank (id, name, document) VALUES ('old', 'Old', :document)"),
            {"document": json.dumps(document)},
        )
        for kind, data in entries.items():
            connection.execute(
                text(
                    "INSERT INTO log_entry (id, tank, kind, time, data, note, by)"
                    " VALUES (:kind, 'old', :kind, '2026-05-01 12:00:00', :data, '', '')"
                ),
                {"kind": kind, "data": json.dumps(data)},
            )
    registry = open_registry(registry_url)
    assert registry.tank("old") == Tank(
        "old",
        "Old",
        kh_meq_l=1.5,
        kh_tested=date(2026, 4, 30),
        water_change=WaterChangePlan(tap_kh_meq_l=2.5, target_kh_meq_l=1.0),
    )
    assert {entry.kind.value: entry.data for entry in registry.log("old")} == {
        "kh-test": {"kh_meq_l": 1.25},
        "water-change": {"fraction": 0.5, "kh_meq_l": 2.5},
        "trim": {"fraction": 0.25, "part": "stems"},
        "replant": {"fraction": 0.5},
        "observation": {"share": 3, "alkalinity_meq_l": 7},
    }
    registry.close()


def test_opening_again_changes_nothing(registry_url):
    first = open_registry(registry_url)
    first.put_tank(Tank("a", "A"))
    first.close()
    second = open_registry(registry_url)
    assert second.tanks() == [Tank("a", "A")]
    second.close()


def test_a_schema_from_a_newer_version_is_refused(engine, registry_url):
    migrate(engine)
    with engine.begin() as connection:
        connection.execute(text(f"UPDATE {VERSION_TABLE} SET version_num = '9999'"))
    with pytest.raises(RegistryRefusedError, match=r"'9999'.*newer.*" + REVISIONS[-1]):
        open_registry(registry_url)


def test_a_migration_that_fails_leaves_nothing_behind(engine, registry_url):
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE recommendation (id INTEGER)"))  # in its way
    with pytest.raises(RegistryUnavailableError, match="already exists"):
        open_registry(registry_url)
    with engine.begin() as connection:
        assert revision_of(connection) is None
        connection.execute(text("DROP TABLE recommendation"))
    migrate(engine)
    assert differences(engine) == []


OPEN_AT_ONCE = """
time.sleep(max(0.0, {start} - time.time()))
registry = open_registry(sys.argv[1])
assert registry.tanks() == []
registry.close()
"""


def test_processes_that_start_together_do_not_collide(registry_url):
    prepared = "import time\nfrom service.registry.registry import open_registry"
    processes = [AnotherProcess(prepared, registry_url) for _ in range(4)]
    start = time.time() + 0.1
    for process in processes:
        process.begins(OPEN_AT_ONCE.format(start=start))
    for process in processes:
        process.has_done()
        process.end()


def test_a_new_file_that_another_program_is_just_writing_is_waited_for(tmp_path, monkeypatch):
    """SQLite's own timeout does not cover the moment at which a new file gets its log."""
    path = tmp_path / "registry.db"
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    monkeypatch.setattr(database_file.time, "sleep", lambda _: other.execute("ROLLBACK"))
    registry = open_registry(f"sqlite:///{path}")
    assert not other.in_transaction
    assert other.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    registry.close()
    other.close()


def test_moves_that_were_words_are_left_out(engine, registry_url):
    """As version 0.1 wrote them, at revision 0009; the next evaluation states them anew."""
    migrate(engine, "0009")
    finding = {"finding": {"code": "co2-high", "moves": ["co2:lower"]}, "extra": {"a": 1}}
    with engine.begin() as connection:
        connection.execute(
            text("INSERT INTO tank (id, name, document, version) VALUES ('a', 'A', '{}', 'v')")
        )
        connection.execute(
            text(
                "INSERT INTO recommendation (id, tank, code, subject, severity, state, first_seen, "
                "last_seen, folded, finding) VALUES ('r', 'a', 'co2-high', '', 1, 'open', "
                ":at, :at, false, :finding)"
            ),
            {"at": "2025-06-04 12:00:00.000000", "finding": json.dumps(finding)},
        )
    migrate(engine)
    with engine.connect() as connection:
        (found,) = connection.execute(sqlalchemy.select(RecommendationRow.finding)).scalars()
    assert found == {"finding": {"code": "co2-high", "moves": []}, "extra": {"a": 1}}


def test_when_a_recommendation_is_due_gets_a_column(engine, registry_url):
    """From its document, as revision 0022 has it; not every one is due at a time."""
    migrate(engine, "0022")
    dues = {"a": "2025-06-04T14:30:00+02:00", "b": None, "c": "2025-06-04T12:30:00.000250+00:00"}
    with engine.begin() as connection:
        connection.execute(
            text("INSERT INTO tank (id, name, document, version) VALUES ('a', 'A', '{}', 'v')")
        )
        for id, due in dues.items():
            finding = {"finding": {"code": "co2-high", "due": due}, "extra": {}}
            connection.execute(
                text(
                    "INSERT INTO recommendation (id, tank, code, subject, severity, state, "
                    "first_seen, last_seen, folded, finding) VALUES (:id, 'a', 'co2-high', '', 1, "
                    "'open', :at, :at, false, :finding)"
                ),
                {"id": id, "at": "2025-06-04 12:00:00.000000", "finding": json.dumps(finding)},
            )
    registry = open_registry(registry_url)
    found = registry.most_urgent(limit=9)
    registry.close()
    half_past = datetime(2025, 6, 4, 12, 30, tzinfo=UTC)
    assert [(one.id, one.due) for one in found] == [
        ("a", half_past),
        ("c", half_past.replace(microsecond=250)),
        ("b", None),
    ]


def test_the_step_of_the_kh_test_becomes_the_kit_s(engine, registry_url):
    """An override of half a degree, as version 0.1 stored it: 0.5 x 0.35665 meq/L (DIN 38409-6)."""
    migrate(engine, "0012")
    document = {"id": "a", "name": "A", "thresholds": {"kh_step_dkh": 0.5, "stale_ph_min": 15.0}}
    with engine.begin() as connection:
        connection.execute(
            text("INSERT INTO tank (id, name, document, version) VALUES ('a', 'A', :d, 'v')"),
            {"d": json.dumps(document)},
        )
    registry = open_registry(registry_url)
    tank = registry.tank("a")
    registry.close()
    assert tank.thresholds == {"stale_ph_min": 15.0}
    assert tank.kh_kit.method == "drops"
    assert tank.kh_kit.step_meq_l == pytest.approx(0.5 * 0.35665, rel=1e-4)


def test_one_name_for_one_thing(engine, registry_url):
    """Tank, thresholds and who may do it, as version 0.1 wrote them, at revision 0013."""
    migrate(engine, "0013")
    document = {
        "id": "a",
        "name": "A",
        "livestock": [{"species": "Paracheirodon innesi", "count": 20}],
        "plants": {
            "co2_low_mg_l": 15.0,
            "co2_high_mg_l": 25.0,
            "dli_low_mol_m2_d": 2.0,
            "dli_high_mol_m2_d": 5.0,
        },
        "planting": [{"species": "Anubias barteri"}],
        "photoperiod": {
            "lights_on": "11:30:00",
            "hours": 7.5,
            "gas_on": "09:00:00",
            "gas_off": "18:00:00",
            "gas_close": "pull the grey plug",
        },
        "thresholds": {"work_share": 0.3, "dose_double_share": 1.6, "stale_ph_min": 15.0},
    }
    finding = {"finding": {"code": "co2-low", "moves": [], "who": "practitioner"}, "extra": {}}
    with engine.begin() as connection:
        connection.execute(
            text("INSERT INTO tank (id, name, document, version) VALUES ('a', 'A', :d, 'v')"),
            {"d": json.dumps(document)},
        )
        connection.execute(
            text(
                "INSERT INTO recommendation (id, tank, code, subject, severity, state, first_seen, "
                "last_seen, folded, finding) VALUES ('r', 'a', 'co2-low', '', 1, 'open', "
                ":at, :at, false, :finding)"
            ),
            {"at": "2025-06-04 12:00:00.000000", "finding": json.dumps(finding)},
        )
        connection.execute(
            text(
                "INSERT INTO event (id, type, subject, tank, time, data) VALUES "
                "('e', 'recommendation.opened', 'r', 'a', :at, :data)"
            ),
            {"at": "2025-06-04 12:00:00.000000", "data": json.dumps({"who": "practitioner"})},
        )
    registry = open_registry(registry_url)
    tank = registry.tank("a")
    with registry.engine.connect() as connection:
        (found,) = connection.execute(sqlalchemy.select(RecommendationRow.finding)).scalars()
        (event,) = connection.execute(sqlalchemy.select(EventRow.data)).scalars()
    registry.close()
    assert tank == Tank(
        "a",
        "A",
        animals=(Stock("Paracheirodon innesi", 20),),
        targets=PlantTargets(15.0, 25.0, 2.0, 5.0),
        plants=(Plant("Anubias barteri"),),
        light=LightPlan(at.fromisoformat("11:30"), 7.5),
        gas=GasPlan(at.fromisoformat("09:00"), at.fromisoformat("18:00"), "pull the grey plug"),
        thresholds={"work_fraction": 0.3, "dose_double_factor": 1.6, "stale_ph_min": 15.0},
    )
    assert found["finding"]["who"] == "keeper"
    assert event == {"who": "keeper"}


def test_the_cylinder_moves_from_the_free_facts_to_its_field(engine, registry_url):
    """As version 0.1 stored it, also as the text that it took and ignored."""
    migrate(engine, "0017")
    facts = {
        "a": {"cylinder_g": 500, "cylinder_filled": "2026-02-28", "lamp": "LED"},
        "b": {"cylinder": "2 kg", "cylinder_filled": "2026-02-28"},
        "c": {"cylinder_kg": 2, "lamp": "LED"},
        "d": {"lamp": "LED"},
    }
    with engine.begin() as connection:
        for id, equipment in facts.items():
            document = {"id": id, "name": id, "equipment": equipment}
            connection.execute(
                text("INSERT INTO tank (id, name, document, version) VALUES (:i, :n, :d, 'v')"),
                {"i": id, "n": id, "d": json.dumps(document)},
            )
    registry = open_registry(registry_url)
    tanks = {tank.id: tank for tank in registry.tanks()}
    for tank in tanks.values():
        check_tank(tank)
    registry.close()
    assert {id: tank.cylinder for id, tank in tanks.items()} == {
        "a": Cylinder(500.0, date(2026, 2, 28)),
        "b": Cylinder(2000.0, date(2026, 2, 28)),
        "c": None,
        "d": None,
    }
    assert {id: dict(tank.equipment) for id, tank in tanks.items()} == {
        "a": {"lamp": "LED"},
        "b": {},
        "c": {"lamp": "LED", "former cylinder_kg": 2},
        "d": {"lamp": "LED"},
    }
