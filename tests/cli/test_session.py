"""``littoral session`` and ``littoral key``: list, end, replace the key."""

from __future__ import annotations

import json
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest

from service.registry.models.access import Scope
from tests.cli.conftest import refused
from tests.registries import sqlite_registry


@pytest.fixture
def registry(monkeypatch, tmp_path):
    url = f"sqlite:///{tmp_path}/registry.db"
    monkeypatch.setenv("LITTORAL_REGISTRY__URL", url)
    with closing(sqlite_registry(tmp_path / "registry.db")) as opened:
        yield opened


@pytest.fixture
def begin(registry):
    """``begin(name)``: a token of this name and a session begun with it; their ids."""

    def make(name):
        now = datetime.now(UTC)
        token, _ = registry.create_token(name, Scope.WRITE, now)
        return token.id, registry.create_session(token.id, now, expires=now + timedelta(1))[0].id

    return make


def test_list_and_end(littoral, registry, begin):
    (phone, first), (_, second), (_, third) = begin("phone"), begin("tablet"), begin("desk")
    listed = littoral("session", "list")
    assert listed.code == 0
    assert listed.out.count("active") == 3 and "phone" in listed.out
    assert littoral("session", "end", second).out == "Ended: 1.\n"
    found = json.loads(littoral("session", "list", "--json").out)["sessions"]
    by_id = {one["id"]: one for one in found}
    assert by_id[second]["ended"].endswith("Z") and by_id[second]["name"] == "tablet"
    assert by_id[first]["ended"] is None
    (ended,) = json.loads(littoral("session", "end", "--token", phone, "--json").out)["sessions"]
    assert ended["id"] == first
    assert littoral("session", "end", "--all").out == "Ended: 1.\n"
    assert registry.login_session(third).ended is not None


def test_refusals(littoral, registry):
    refused(littoral("session", "end"), "ID", "--token", "--all")
    refused(littoral("session", "end", "x", "--all"), "ID", "--token", "--all")
    refused(littoral("session", "end", "nothing"), "'nothing'")
    refused(littoral("session", "end", "--token", "nothing"), "'nothing'")


def test_a_new_key_ends_sessions_and_leaves_tokens(littoral, registry, begin):
    token, session = begin("phone")
    before = registry.signing_key()
    done = littoral("key", "rotate")
    assert (done.code, "Sessions ended: 1." in done.out) == (0, True)
    assert registry.signing_key() != before
    assert registry.login_session(session).ended is not None
    assert registry.token(token).revoked is None
