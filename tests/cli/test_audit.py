"""``littoral audit``: who wrote what when, from the registry."""

from __future__ import annotations

import getpass
import json

import pytest

from service.registry.registry import open_registry
from tests.cli.conftest import refused


@pytest.fixture
def environment(monkeypatch, tmp_path):
    url = f"sqlite:///{tmp_path}/registry.db"
    monkeypatch.setenv("LITTORAL_REGISTRY__URL", url)
    open_registry(url).close()


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
    assert littoral("audit", "--since", "2199-01-01T00:00").out == "no records\n"


def test_refusals(littoral, environment):
    refused(littoral("audit", "--action", "tank"), "'tank'", "tank.created")
    refused(littoral("audit", "--since", "soon"), "'soon'", "a time such as")
