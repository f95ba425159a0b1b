"""Molar mass from a chemical formula."""

from __future__ import annotations

import re
from functools import lru_cache

from service.science.constants import ATOMIC_MASS_G_MOL
from service.science.numeric.checks import OutOfRangeError

_PIECE = re.compile(r"([A-Z][a-z]?)(\d*)|(\()|(\))(\d*)")


@lru_cache(maxsize=256)
def molar_mass_g_mol(formula: str) -> float:
    """Molar mass of a formula such as "MgSO4.7H2O" or "Ca(NO3)2", in g/mol.
    A dot joins water of crystallisation, with its number before it. Atomic weights: IUPAC 2021.

    Raises
    ------
    OutOfRangeError: what is not a formula or holds an element that is not known.
    """
    total = 0.0
    for part in re.split(r"[.·]", formula):
        number, body = re.fullmatch(r"(\d*)(.*)", part).groups()  # type: ignore[union-attr]
        total += int(number or 1) * _mass(body, formula)
    return total


def _mass(body: str, formula: str) -> float:
    levels = [0.0]
    position = 0
    while position < len(body):
        match = _PIECE.match(body, position)
        if match is None:
            break
        position = match.end()
        element, count, opening, closing, times = match.groups()
        if opening:
            levels.append(0.0)
        elif closing:
            if len(levels) == 1:
                position = match.start()
                break
            group = levels.pop()
            levels[-1] += group * int(times or 1)
        elif element not in ATOMIC_MASS_G_MOL:
            known = ", ".join(ATOMIC_MASS_G_MOL)
            raise OutOfRangeError("formula", formula, f"elements of {known}, not {element!r}")
        else:
            levels[-1] += ATOMIC_MASS_G_MOL[element] * int(count or 1)
    if position < len(body) or len(levels) > 1 or not body:
        raise OutOfRangeError("formula", formula, "a formula such as 'MgSO4.7H2O'")
    return levels[0]
