"""The list of changes that no test can notice names code that is there."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench.mutation_equivalents import reasons


def test_every_line_names_code_that_is_there() -> None:
    assert all(reasons().values())


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        ("service/gone.py: a -> b | none", "service/gone.py is gone"),
        ("service/units.py: gone = 1 -> gone = 2 | none", "has no line 'gone = 1'"),
    ],
)
def test_what_is_gone_is_refused(tmp_path: Path, line: str, fault: str) -> None:
    file = tmp_path / "list.txt"
    file.write_text(f"# a comment\n{line}\n")
    with pytest.raises(ValueError, match=fault):
        reasons(file)
