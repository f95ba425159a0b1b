"""How a CSV file of another program is read: which column is which quantity, in which unit."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

from service import units
from service.errors import InvalidInputError, UnknownUnitError

#: Name of the sensor where nothing names it.
SENSOR: Final = "import"
_COLUMN: Final = re.compile(
    r"(?P<name>.+?)=(?P<quantity>[a-z_]+)(?::(?P<unit>[^@]+))?(?:@(?P<sensor>.+))?"
)


@dataclass(frozen=True, slots=True)
class ValueColumn:
    """A column that holds one quantity.

    Attributes:
        name: as in the file's header.
        quantity: one of ``service.quantities.QUANTITIES``.
        unit: of its numbers; None: the canonical one.
        sensor: which sensor it is from.
    """

    name: str
    quantity: str
    unit: str | None = None
    sensor: str = SENSOR


@dataclass(frozen=True, slots=True)
class CsvMapping:
    """How to read a file.

    Attributes:
        tank: whose readings they are; None when the file has a column ``tank``.
        columns: the columns with numbers; none of them: those named like a quantity, or the
            long form with columns ``quantity`` and ``value``, as ``littoral export`` writes it.
        time: name of the column with the time; None: the one that is named so.
        decimal_comma: numbers are written ``24,5``.
        tanks: those that a column ``tank`` may name; None: any.
    """

    tank: str | None = None
    columns: tuple[ValueColumn, ...] = ()
    time: str | None = None
    decimal_comma: bool = False
    tanks: frozenset[str] | None = field(default=None, repr=False)


def column_of_text(text: str) -> ValueColumn:
    """A column from ``NAME=QUANTITY[:UNIT][@SENSOR]``, e.g. ``Temp F=temperature:degF``.

    Raises:
        InvalidInputError: not of that form, or an unknown quantity or unit.
    """
    match = _COLUMN.fullmatch(text)
    if match is None:
        raise InvalidInputError.of_field("column", text, "NAME=QUANTITY[:UNIT][@SENSOR]")
    column = ValueColumn(match["name"], match["quantity"], match["unit"], match["sensor"] or SENSOR)
    affine(column.quantity, column.unit)
    return column


@lru_cache(maxsize=256)
def affine(quantity: str, unit: str | None) -> tuple[float, float]:
    """Factor and offset to the canonical unit: pint is asked once for each unit, not each cell."""
    zero, one, many = (units.to_canonical(quantity, x, unit) for x in (0.0, 1.0, 1000.0))
    if not math.isclose(many, zero + 1000.0 * (one - zero), rel_tol=1e-9, abs_tol=1e-9):
        raise UnknownUnitError.of_field("unit", unit, "a unit that converts by a straight line")
    return one - zero, zero
