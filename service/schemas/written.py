"""The JSON of a field as a person would write it in a form; ``entry`` reads it back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service import units
from service.schemas.entry import units_of
from service.schemas.fields import Field
from service.schemas.quantities import Measure
from service.schemas.ranges import Range
from service.schemas.times import SpanOf
from service.times import parse_span


def text_of(field: Field, value: Any, unit: str = "") -> str:
    """The text of a value.

    Args:
        value: as JSON; None: nothing.
        unit: of a quantity; "" for the usual one.
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(field, SpanOf):
        return "0" if value == "PT0S" else number_text(parse_span(value) / field.unit)
    if isinstance(value, Mapping):
        return _quantity_text(field, value["value"], value["unit"], unit)
    return number_text(value) if isinstance(value, int | float) else str(value)


def end_texts(field: Range, value: Any, unit: str = "") -> tuple[str, str]:
    """The texts of both ends of a range; an open end is empty."""
    if value is None:
        return "", ""
    low, high = (
        "" if value[end] is None else _quantity_text(field, value[end], value["unit"], unit)
        for end in ("low", "high")
    )
    return low, high


def number_text(value: float) -> str:
    """A number to four digits or to its whole part, which hides what conversion left over."""
    whole = len(str(abs(int(value))))
    return f"{float(f'{value:.{max(whole, 4)}g}'):.12g}"


def _quantity_text(field: Field, value: float, own: str, unit: str) -> str:
    if not isinstance(field, Measure | Range):
        return number_text(value)
    wanted = unit or units_of(field)[0]
    source = field.scale if own == field.unit else own
    return number_text(units.convert(float(value), source, wanted))
