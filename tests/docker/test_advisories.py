"""The check of locked packages for known advisories, with a stand-in for pip-audit's answers."""

from __future__ import annotations

import json
import subprocess

import pytest

from tests.bench import advisories

SOUND = {"name": "flask", "version": "3.1.0", "vulns": []}
FAULTY = {
    "name": "jinja2",
    "version": "3.0.0",
    "vulns": [{"id": "PYSEC-0000-1 (invented)", "fix_versions": ["3.0.1"]}],
}
SKIPPED = {"name": "attrs", "skip_reason": "Dependency not found on PyPI"}


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "bin").mkdir()
    (tmp_path / "bin" / "pip-audit").touch()
    return tmp_path


def answering(answers):
    """A run that answers by database; a text is an error without an answer."""

    def run(command):
        answer = answers[command[command.index("-s") + 1]]
        if isinstance(answer, str):
            return subprocess.CompletedProcess(command, 1, "", answer)
        return subprocess.CompletedProcess(command, 0, json.dumps({"dependencies": answer}), "")

    return run


@pytest.mark.parametrize(
    ("answers", "code", "said"),
    [
        ({"pypi": [SOUND]}, 0, ["1 packages looked up in pypi"]),
        ({"pypi": [SOUND, FAULTY]}, 1, ["jinja2 3.0.0: PYSEC-0000-1"]),
        (
            {"pypi": [SKIPPED], "osv": [SOUND]},
            0,
            ["such as attrs: Dependency not found", "1 packages looked up in osv"],
        ),
        ({"pypi": [SKIPPED], "osv": [FAULTY]}, 1, ["jinja2 3.0.0: PYSEC-0000-1"]),
        ({"pypi": [FAULTY, SKIPPED], "osv": "no network"}, 1, ["jinja2 3.0.0: PYSEC-0000-1"]),
        (
            {"pypi": "Traceback\nNameResolutionError: pypi.org\n", "osv": ""},
            0,
            [
                "pypi could not be asked: NameResolutionError: pypi.org",
                "osv could not be asked: no reason given",
            ],
        ),
    ],
)
def test_known_advisories_fail_and_lack_of_network_is_said(folder, answers, code, said):
    found, lines = advisories.check(folder, answering(answers))
    assert found == code
    for text in said:
        assert any(text in line for line in lines), lines
    assert {line.partition(":")[0] for line in lines} == {lock.name for lock in advisories.LOCKS}


def test_an_advisory_that_was_accepted_does_not_fail(folder, monkeypatch):
    monkeypatch.setitem(advisories.ACCEPTED, FAULTY["vulns"][0]["id"], "not reached")
    assert advisories.check(folder, answering({"pypi": [FAULTY]}))[0] == 0


def test_a_tool_that_cannot_be_installed_is_said(tmp_path, monkeypatch):
    monkeypatch.setattr(advisories.venv, "create", lambda *a, **k: None)
    failed = subprocess.CompletedProcess([], 1, "", "ERROR: No matching distribution\n")
    code, lines = advisories.check(tmp_path, lambda command: failed)
    assert code == 0
    assert lines == [
        "advisories could not be checked: pip-audit>=2.10,<3 cannot be installed: "
        "ERROR: No matching distribution"
    ]


def test_the_locks_that_are_looked_up_hold_every_locked_package():
    def packages(lock):
        lines = lock.read_text().splitlines()
        return {line.split("==")[0] for line in lines if line[:1].isalnum() and "==" in line}

    looked_up = set.union(*map(packages, advisories.LOCKS))
    for lock in (advisories.ROOT / "docker").glob("*.lock"):
        assert packages(lock) <= looked_up, lock
