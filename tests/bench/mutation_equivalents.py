"""The mutants that change nothing, of ``mutation_equivalent.txt``, checked against the code."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).parents[2]
EQUIVALENT = Path(__file__).with_name("mutation_equivalent.txt")


def reasons(list_of_them: Path = EQUIVALENT) -> dict[str, str]:
    """Why each changes nothing, by ``file: before -> after``; a line is that, `` | ``, the reason.

    Raises:
        ValueError: a line names a file that is gone, or code that is not in it.
    """
    lines = list_of_them.read_text().splitlines()
    rows = [line.rpartition(" | ") for line in lines if line and not line.startswith("#")]
    for key, _, _ in rows:
        name, _, change = key.partition(": ")
        before, file = change.split(" -> ")[0], ROOT / name
        if not file.is_file():
            raise ValueError(f"{list_of_them.name}: {name} is gone; remove the line")
        # Code that has an arrow itself ends before it here: its beginning is looked for.
        if not any(line.strip().startswith(before) for line in file.read_text().splitlines()):
            raise ValueError(f"{list_of_them.name}: {name} has no line {before!r}; remove or mend")
    return {key: reason for key, _, reason in rows}
