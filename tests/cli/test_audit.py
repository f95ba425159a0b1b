"""``littoral audit``: who wrote what when, from the registry."""

from __future__ import annotations

import getpass
import json
from datetime import UTC, datetime, timedelta

import pytest

from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.registry.registry import open_registry
from service.store import Reading, open_store
from service.times import to_us
from tests.cli.conftest import refused
from tests.registries import make_sqlite_registry

WHEN = datetime(2020, 5, 4, 8, tzinfo=UTC)
OFFSET = {"quantity": "temperature", "offset": -0.5}


@pytest.fixture
def environment(monkeypatch, tmp_path):
    url = f"sqlite:///{tmp_path}/registry.db"
    monkeypatch.setenv("LITTORAL_REGISTRY__URL", url)
    make_sqlite_registry(tmp_path / "registry.db")


def test_tokens_are_recorded_for_the_user_of_the_machine(littoral, environment):
    assert littoral("audit").out == "no records\n"
    secret = littoral("token", "create", "phone").out.strip()
    refused(littoral("token", "create", "phone"), "exists already")
    listed = littoral("audit")
    [line] = listed.out.splitlines()
    assert f"user {getpass.getuser()}  token.created  tokens/" in line
    assert secret.split("_", 2)[2] not in listed.out
    answer = json.loads(littoral("audit", "--json", "--action", "token.created").out)
    [record] = answer["records"]
    assert record["actor"]["kind"] == "user"
    assert json.loads(littoral("audit", "--json", "--actor", "nobody").out) == {"records": []}
    assert littoral("audit", "--start", "2199-01-01T00:00").out == "no records\n"


def test_refusals(littoral, environment):
    refused(littoral("audit", "--action", "tank"), "'tank'", "tank.created")
    refused(littoral("audit", "--start", "soon"), "'soon'", "a time such as")


def test_commands_that_change_readings_are_recorded(littoral, environment, monkeypatch, tmp_path):
    monkeypatch.setenv("LITTORAL_STORE__URL", f"sqlite:///{tmp_path}/readings.db")
    registry = open_registry(f"sqlite:///{tmp_path}/registry.db")
    registry.put_tank(Tank("reed", "Reed"))
    registry.add_log("reed", LogKind.CALIBRATION, WHEN, OFFSET)
    store = open_store(f"sqlite:///{tmp_path}/readings.db")
    at = to_us(WHEN + timedelta(hours=1))
    store.write([Reading("reed", "temperature", "main", at, 24.5, raw=24.5)])
    store.close()
    (tmp_path / "log.csv").write_text("time,temperature\n2020-05-04T10:00:00Z,24.1\n")
    (tmp_path / "none.csv").write_text("time,temperature\nnever,24.1\n")
    before = len(registry.audit())

    littoral("import", f"{tmp_path}/log.csv", "--tank", "reed", "--dry-run")
    littoral("import", f"{tmp_path}/none.csv", "--tank", "reed")
    littoral("store", "prune", "--raw", "36500")
    assert len(registry.audit()) == before

    littoral("import", f"{tmp_path}/log.csv", "--tank", "reed")
    words = ["reed", "--quantity", "temperature", "--start", "2020-05-04", "--end", "2020-05-05"]
    littoral("recalibrate", *words)
    littoral("recalibrate", *words)  # changes nothing more
    littoral("store", "prune", "--raw", "30")
    found = registry.audit()[:-before][::-1]
    assert [(one.action.value, one.subject, one.members) for one in found] == [
        ("readings.imported", "tanks/reed/readings", ()),
        ("readings.recalibrated", "tanks/reed/readings", ("temperature",)),
        ("readings.pruned", "readings", ("raw",)),
    ]
    assert {one.actor.name for one in found} == {getpass.getuser()}
    registry.close()
