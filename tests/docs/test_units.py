"""The tables of units in the documents say what the program does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service.units import HARDNESS, convert

PAGE = (Path(__file__).parents[2] / "docs" / "units.md").read_text(encoding="utf-8")
ROWS = [
    (re.findall(r"`([^`]+)`", unit + also), float(kh), float(gh))
    for unit, also, kh, gh in re.findall(
        r"^\| (`[^|]+`) \| ([^|]*)\| ([\d.]+) \| ([\d.]+) \|", PAGE, re.MULTILINE
    )
]


def test_the_table_of_hardness_is_what_is_computed() -> None:
    assert len(ROWS) == 7
    for names, kh, gh in ROWS:
        for unit in names:
            assert convert(1, unit, "meq/L") == pytest.approx(kh, rel=5e-5), unit
            assert convert(1, unit, HARDNESS) == pytest.approx(gh, rel=5e-5), unit


def test_each_unit_of_the_second_table_converts_to_the_one_stored() -> None:
    rows = re.findall(r"^\| [a-z]+ \| `([^`]+)` \| (.+) \|$", PAGE, re.MULTILINE)
    assert len(rows) == 6
    for stored, examples in rows:
        for unit in re.findall(r"`([^`]+)`", examples):
            assert convert(1, unit, stored) != 0
    litres = dict(re.findall(r"or `([^`]+)` \([^)]*gallon, ([\d.]+) L\)", PAGE))
    assert len(litres) == 2
    for unit, number in litres.items():
        assert convert(1, unit, "L") == pytest.approx(float(number), rel=1e-6)
