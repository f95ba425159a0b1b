"""Values of fields as a person writes and reads them on the command line."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Final

import click
import marshmallow as ma

from service.errors import Refusal
from service.registry.fields.dose_content import LabelAmounts
from service.schemas.entry import json_of, range_of, units_of
from service.schemas.fields import Choice, Field, Number, Whole, YesNo
from service.schemas.messages import messages_of
from service.schemas.quantities import Measure, Ph
from service.schemas.ranges import Range
from service.schemas.times import Day, SpanOf, TimeOfDay, TimeZone
from service.schemas.written import end_texts, text_of

NOTHING: Final = "none"
"""Written for a field that may be empty, to empty it."""

_NUMBER: Final = r"[-+]?[\d.,]+"
_RANGE: Final = re.compile(
    rf"(?:(?P<low>{_NUMBER})\s*(?:to|–|-)\s*(?P<high>{_NUMBER})|from\s+(?P<from>{_NUMBER})|"
    rf"up\s+to\s+(?P<to>{_NUMBER}))(?P<unit>[^\d]*.*)"
)
_EXAMPLES: Final[tuple[tuple[type[Field], str], ...]] = (
    (YesNo, "true"),
    (TimeOfDay, "07:40"),
    (Day, "2026-05-01"),
    (TimeZone, "Europe/Lisbon"),
)
_TYPICAL: Final[Mapping[str, float]] = {
    "Cel": 24, "dKH": 4, "dGH": 6, "L": 180, "mL": 5, "g": 5, "mg/L": 20, "cm": 45, "m": 100,
    "%": 50,
}  # fmt: skip
_RANGES: Final[Mapping[str, str]] = {
    "Cel": "22 to 28", "mg/L": "20 to 30", "cm": "10 to 30", "mol/m2/d": "2 to 5",
}  # fmt: skip
"""Examples by the unit of a field; all within what fields allow."""


def json_at(path: str, field: Field, text: str) -> Any:
    """The JSON of what was written for a field; None where it was emptied.

    Raises:
        click.UsageError: names the field, the value, what is allowed and an example.
    """
    if field.allow_none and text.strip() == NOTHING and not _is_word(field):
        return None
    try:
        found = _range(field, text) if isinstance(field, Range) else json_of(field, text)
        field.deserialize(found)
    except ma.ValidationError as error:
        (_, message), *_ = messages_of(error.messages)
        raise click.UsageError(f"{path} {_with_example(field, message, text)}") from error
    return found


def _is_word(field: Field) -> bool:
    """Whether ``none`` is one of the words of a field, as of the CO2 that a plant needs."""
    return isinstance(field, Choice) and NOTHING in field.words


def _with_example(field: Field, message: str, text: str) -> str:
    """The refusal, of the text as it was written, with an example where it has none."""
    _, colon, allowed = message.partition("; allowed: ")
    if not colon:
        return message
    if allowed.startswith("{"):  # JSON, which nobody writes here
        allowed = "a number with its unit" if isinstance(field, Measure) else "two numbers"
    example = example_of(field)
    such = "" if "such as" in allowed or not example else f", such as {example}"
    return f"is {text[:80]!r}; allowed: {allowed}{such}"


def example_of(field: Field) -> str:
    """A value that the field takes, as it is written; "" where any text is one."""
    for kind, example in _EXAMPLES:
        if isinstance(field, kind):
            return example
    if isinstance(field, Choice):
        return field.words[0]
    if isinstance(field, SpanOf):
        return f"7 {field.unit_word}"
    if isinstance(field, Range):
        return f"{_RANGES.get(field.unit, '1 to 2')} {_unit(field)}"
    if isinstance(field, Measure | Ph | Number | Whole):
        return f"{_fitting(field)} {_unit(field)}".strip()
    return ""


def _fitting(field: Measure | Ph | Number | Whole) -> str:
    """A usual number within the limits of a field, else the middle of them."""
    unit = units_of(field)[0] if units_of(field) else ""
    if unit in _TYPICAL:
        return f"{_TYPICAL[unit]:g}"
    low, high = field.low or 0.0, field.high
    return f"{low + 10 if high is None else (low + high) / 2:.3g}"


def _range(field: Range, text: str) -> Any:
    """The JSON of a range: ``22 to 28 °C``, ``22-28``, ``from 22 °C``, ``up to 28 °C``."""
    match = _RANGE.fullmatch(text.strip())
    if match is None:
        raise ma.ValidationError([Refusal(text, f"two numbers, such as {example_of(field)}")])
    low, high = (match["low"] or match["from"] or "", match["high"] or match["to"] or "")
    unit = match["unit"].strip()
    return range_of(field, low, high, unit)


def words_of(field: Field, value: Any) -> str:
    """A value as text with its unit, which ``json_at`` reads back."""
    if value is None:
        return NOTHING
    if isinstance(field, Range):
        low, high = end_texts(field, value)
        both = f"{low} to {high}" if low and high else f"from {low}" if low else f"up to {high}"
        return f"{both} {_unit(field)}" if low or high else NOTHING
    if isinstance(field, LabelAmounts):
        return ", ".join(f"{ion} {amount:g}" for ion, amount in value.items())
    text = text_of(field, value)
    return f"{text} {_unit(field)}".strip() if _is_measured(field, value) else text


def _is_measured(field: Field, value: Any) -> bool:
    return isinstance(field, SpanOf) or (isinstance(field, Measure) and isinstance(value, Mapping))


def _unit(field: Field) -> str:
    """The unit as it is written beside a number."""
    units = units_of(field)
    return {"Cel": "°C"}.get(units[0], units[0]) if units else ""
