"""``littoral token``: make, list, revoke."""

from __future__ import annotations

import json

import pytest

from tests.cli.conftest import refused
from tests.registries import make_sqlite_registry


@pytest.fixture
def environment(monkeypatch, tmp_path):
    monkeypatch.setenv("LITTORAL_REGISTRY__URL", f"sqlite:///{tmp_path}/registry.db")
    make_sqlite_registry(tmp_path / "registry.db")


def test_create_list_revoke(littoral, environment):
    made = littoral("token", "create", "phone", "--scope", "write", "--expires", "90d")
    assert made.code == 0
    secret = made.out.strip()
    assert secret.startswith("littoral")
    assert secret not in made.err
    listed = littoral("token", "list")
    assert "phone" in listed.out and "write" in listed.out and "valid" in listed.out
    assert secret not in listed.out
    (token,) = json.loads(littoral("token", "list", "--json").out)["tokens"]
    assert token["name"] == "phone"
    assert token["expires"] is not None
    refused(littoral("token", "create", "phone"), "exists already")
    assert littoral("token", "revoke", token["id"]).code == 0
    assert "revoked" in littoral("token", "list").out
    again = littoral("token", "create", "phone", "--json")
    assert json.loads(again.out)["scope"] == "read"
    assert json.loads(again.out)["secret"].startswith("littoral")


def test_refusals(littoral, environment):
    refused(littoral("token", "create"), "NAME")
    refused(littoral("token", "create", "x", "--scope", "all"), "'all'", "read")
    refused(littoral("token", "create", "x", "--expires", "never"), "'never'", "7d")
    refused(littoral("token", "revoke", "none"), "'none'")


def test_revoke_tells_a_script(littoral, environment):
    id = json.loads(littoral("token", "create", "phone", "--json").out)["id"]
    told = json.loads(littoral("token", "revoke", id, "--json").out)
    assert told["created"].endswith("Z")  # RFC 3339, as over HTTP
    assert told["revoked"].endswith("Z")
    assert (told["id"], told["name"]) == (id, "phone")
    assert told["revoked"] is not None and "secret" not in told
