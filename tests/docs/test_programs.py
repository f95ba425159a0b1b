"""Every program that a test, an example or a script calls is in tests/programs.txt."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from tests.programs import (
    ROOT,
    installed_programs,
    listed_programs,
    plain_blocks,
    programs_in_shell,
    programs_looked_for,
    shell_blocks,
    unlisted,
)

PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]


def files(*patterns: str) -> list[Path]:
    """The committed files that fit."""
    command = ["git", "ls-files", "-z", "--", *patterns]
    done = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True)
    return [ROOT / name for name in done.stdout.split("\0") if name]


def id_of(file: Path) -> str:
    return str(file.relative_to(ROOT))


@pytest.mark.parametrize("page", PAGES, ids=id_of)
def test_what_the_examples_call_is_listed(page: Path) -> None:
    for block in shell_blocks(page.read_text()):
        assert not unlisted(programs_in_shell(block)), block


@pytest.mark.parametrize("page", PAGES, ids=id_of)
def test_a_block_of_commands_is_marked_as_shell(page: Path) -> None:
    """Otherwise the test above would pass it by."""
    for block in plain_blocks(page.read_text()):
        first = block.split(maxsplit=1)[0]
        assert first not in {*listed_programs(), "littoral"}, block


@pytest.mark.parametrize("script", files("*.sh", ".ci/run"), ids=id_of)
def test_what_the_scripts_call_is_listed(script: Path) -> None:
    called = programs_in_shell(script.read_text())
    assert len(called) > 3
    assert not unlisted(called)


def test_what_python_looks_for_is_listed() -> None:
    called = {name for file in files("*.py") for name in programs_looked_for(file.read_text())}
    assert {"mosquitto", "influxd", "victoria-metrics", "chromium", "openssl", "npm"} <= called
    brought = {"hadolint", "check-jsonschema"}  # from PyPI, locked for the tests
    assert not unlisted(called - brought)


def test_a_program_that_is_not_listed_is_not_started() -> None:
    """By the hook in tests/conftest.py, also inside a shell command."""
    for command in (["uname"], ["sh", "-c", "true | uname"]):
        with pytest.raises(AssertionError, match=r"not in tests/programs\.txt: uname"):
            subprocess.run(command, capture_output=True, check=True)


def test_the_shell_is_read_as_the_shell_reads_it() -> None:
    script = """
        as_root() { sudo "$@"; }
        # rm
        A=1 curl -s x | jq -r '.sed | .awk' && as_root env B=2 apt-get update
        if cmp -s a b; then exec "$venv/bin/python" "$(date +%s)"; fi
        "$python" -m pip; echo 'grep'
        cat <<TEXT
        tar
        TEXT
    """
    called = {"sudo", "curl", "jq", "env", "apt-get", "cmp", "exec", "date", "echo", "cat"}
    assert programs_in_shell(script) == called


def test_a_marked_test_needs_each_program_that_is_installed() -> None:
    """So that tests/fresh.sh --quick tries all of them."""
    marked = "\n".join(file.read_text() for file in files("tests/**/test_*.py"))
    marks = re.findall(r"^@pytest\.mark\.needs\((.*)\)$", marked, re.MULTILINE)
    assert set(re.findall(r'"(.+?)"', " ".join(marks))) == installed_programs()


def test_the_list_names_only_what_is_used() -> None:
    sources = files("*.py", "*.sh", "*.md", ".ci/run")
    text = "\n".join(file.read_text() for file in sources)
    names = "|".join(map(re.escape, sorted(listed_programs(), key=len, reverse=True)))
    found = set(re.findall(rf"(?<![\w-])(?:{names})(?![\w-])", text))
    assert {name for name in listed_programs() if ".so." not in name} <= found
