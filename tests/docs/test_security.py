"""docs/security.md: each claim of protection names tests that are there."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "security.md").read_text()
NAMED = re.compile(r"`(tests/[\w/]+\.py)(?:::(\w+))?`")


def claims(page: str) -> list[tuple[str, str]]:
    """The rows of the tables whose columns are claim and test."""
    found, inside = [], False
    for line in page.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if not line.startswith("|"):
            inside = False
        elif cells == ["claim", "test"]:
            inside = True
        elif inside and not set(line) <= set("| -"):
            assert len(cells) == 2, line
            found.append((cells[0], cells[1]))
    return found


@cache
def names_of(file: Path) -> frozenset[str]:
    """The names of a module's tests."""
    body = ast.parse(file.read_text()).body
    return frozenset(
        one.name
        for one in body
        if isinstance(one, ast.FunctionDef) and one.name.startswith("test_")
    )


@pytest.mark.parametrize(("claim", "tests"), claims(PAGE))
def test_a_claim_names_tests_that_are_there(claim: str, tests: str) -> None:
    named = NAMED.findall(tests)
    assert named, f"names no test: {claim}"
    assert NAMED.sub("", tests).strip(", ") == "", f"not a list of tests: {tests}"
    for path, name in named:
        file = ROOT / path
        assert file.is_file(), path
        assert names_of(file), f"no test in {path}"
        assert not name or name in names_of(file), f"{path} has no test {name}"


def test_no_claim_stands_twice() -> None:
    stated = [claim for claim, _ in claims(PAGE)]
    assert [claim for claim in set(stated) if stated.count(claim) > 1] == []


def test_the_tables_are_found_whole() -> None:
    assert len(claims(PAGE)) >= 28
    assert len(claims(PAGE)) == len(re.findall(r"^\|.*`tests/.*\|$", PAGE, re.MULTILINE))


def test_a_claim_without_its_test_is_seen() -> None:
    table = "| claim | test |\n| --- | --- |\n| Safe. | |\n\n| who | can |\n| a | b |\n"
    assert claims(table) == [("Safe.", "")]
