"""What each version has written is opened by today's code and answers what was put in."""

from __future__ import annotations

import gzip
import json

import pytest

from service.backup.restore import restore
from service.config import load_config
from service.store.sqlite.store import SqliteStore
from service.version import VERSION
from tests.upgrade.known import answers, application, put_in
from tests.upgrade.write import FILES, FIXTURES

VERSIONS = sorted(folder.name for folder in FIXTURES.iterdir())


def unpacked(version, name, to):
    to.write_bytes(gzip.decompress((FIXTURES / version / f"{name}.gz").read_bytes()))
    return to


def known_of(version):
    text = gzip.decompress((FIXTURES / version / "known.json.gz").read_bytes())
    if version != "0.1.0":
        return json.loads(text)
    known = json.loads(text, object_hook=keeper_called_now)
    tanks = known["answers"]["/v1/tanks"]
    tanks["tanks"] = [as_called_now(tank) for tank in tanks["tanks"]]
    for link in known["answers"]["/v1/shares"]["shares"]:
        link["name"] = link.pop("note")  # who it is for
    return known


def keeper_called_now(members):
    """Who may do it, in today's word."""
    return members | {"who": "keeper"} if members.get("who") == "practitioner" else members


def holds(found, expected, at=""):
    """Every member that was there is there with its value; later versions may add some."""
    if isinstance(expected, dict):
        assert isinstance(found, dict), at
        for name, value in expected.items():
            assert name in found, f"{at}/{name}"
            holds(found[name], value, f"{at}/{name}")
    elif isinstance(expected, list):
        assert len(found) == len(expected), at
        for index, value in enumerate(expected):
            holds(found[index], value, f"{at}/{index}")
    elif isinstance(expected, float):
        assert found == pytest.approx(expected, rel=1e-9), at
    else:
        assert found == expected, at


def as_called_now(tank):
    """A tank of version 0.1.0 as it was answered then, its members under today's names."""
    plan = tank.pop("photoperiod")
    return {
        {"livestock": "animals", "plants": "targets"}.get(name, name): value
        for name, value in tank.items()
    } | {
        "light": {"start": plan["lights_on"], "photoperiod": plan["length"]},
        "gas": {name: plan[f"gas_{was}"] for name, was in GAS.items()},
        "equipment": {
            f"former {name}" if name.startswith("cylinder") else name: fact
            for name, fact in tank["equipment"].items()
        },
        "doses": [
            {DOSE.get(name, name): value for name, value in dose.items()} for dose in tank["doses"]
        ],
    }


GAS = {"start": "on", "end": "off", "close": "close"}
DOSE = {"solution_per_100_l": "volume_per_100_l", "salt_per_100_l": "mass_per_100_l"}


def asked(client, known, *, restored=False):
    """Ask again what was asked then; a restore has put its own record first in the audit."""
    headers = {"Authorization": f"Bearer {known['token']}"}
    for path, expected in known["answers"].items():
        answer = client.get(path, headers=headers)
        assert answer.status_code == 200, (path, answer.get_data(as_text=True))
        document = answer.get_json()
        if restored and path.startswith("/v1/audit"):
            assert document["records"].pop(0)["action"] == "backup.restored"
        holds(document, expected, path)


def test_this_version_has_its_fixture():
    """Before a release: python -m tests.upgrade.write"""
    assert VERSION in VERSIONS
    for version in VERSIONS:
        size = sum(path.stat().st_size for path in (FIXTURES / version).iterdir())
        assert size < 200_000, version


@pytest.mark.parametrize("version", VERSIONS)
def test_registry_and_store_of_a_version(version, tmp_path):
    for name in FILES[:2]:
        unpacked(version, name, tmp_path / name)
    known = known_of(version)
    with application(tmp_path) as (one, client):
        asked(client, known)
        assert isinstance(one.store, SqliteStore)
        one.store.check()
        readings = known["answers"]["/v1/tanks"]["tanks"]
        assert len(readings) == 2
        # It goes on being written to.
        headers = {"Authorization": f"Bearer {known['token']}"}
        entry = {"kind": "observation", "note": "after the upgrade"}
        answer = client.post("/v1/tanks/riffle/log", json=entry, headers=headers)
        assert answer.status_code == 201, answer.get_data(as_text=True)


@pytest.mark.parametrize("version", VERSIONS)
def test_backup_of_a_version(version, tmp_path):
    archive = unpacked(version, "backup.tar", tmp_path / "backup.tar")
    config = load_config(
        None,
        {
            "LITTORAL_STORE__URL": f"sqlite:///{tmp_path}/store.db",
            "LITTORAL_REGISTRY__URL": f"sqlite:///{tmp_path}/registry.db",
        },
    )
    restored = restore(config, archive)
    assert restored.manifest.version == version
    with application(tmp_path) as (_, client):
        asked(client, known_of(version), restored=True)


@pytest.mark.slow
def test_what_this_version_puts_in_it_answers(tmp_path):
    """The program that writes fixtures, and the comparison: a difference is found."""
    with application(tmp_path) as (one, client):
        secret = put_in(one, client)
        found = {"token": secret, "answers": answers(client, secret)}
        asked(client, found)
        found["answers"]["/v1/tanks"]["tanks"][0]["name"] = "Another"
        with pytest.raises(AssertionError, match="/v1/tanks/tanks/0/name"):
            asked(client, found)
