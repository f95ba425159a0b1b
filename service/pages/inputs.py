"""Inputs of a form, made of the fields whose values they ask for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.schemas.entry import UNIT_WORDS, is_number, label_of, units_of
from service.schemas.fields import Choice, Field


@dataclass(frozen=True, slots=True)
class Input:
    """One input of the form.

    Attributes:
        name: of the input; that of its unit is ``NAME_unit``.
        label: what it asks for.
        fields: the fields of the entry's data that it is for, by unit; "" where it has none.
        number: a number is asked for.
        required: an entry of the kind is nothing without it.
        unit_choices: unit -> words, where the unit can be chosen.
        choices: allowed words, where there are only these.
        offers: words to pick from; others may be written.
        start: what is in it at first.
        hint: a few words under it.
    """

    name: str
    label: str
    fields: Mapping[str, str]
    number: bool = False
    required: bool = False
    unit_choices: Mapping[str, str] | None = None
    choices: tuple[str, ...] = ()
    offers: tuple[str, ...] = ()
    start: str = ""
    hint: str = ""


def input_of(name: str, field: Field) -> Input:
    """The input for one field, with its label, units, choices and first value."""
    units = units_of(field)
    label = label_of(name, field)
    if len(units) == 1:
        label = f"{label}, {UNIT_WORDS.get(units[0], units[0])}"
    return Input(
        name,
        label,
        dict.fromkeys(units or ("",), name),
        number=is_number(field),
        required=field.required,
        unit_choices=unit_words(units) if len(units) > 1 else None,
        choices=field.words if isinstance(field, Choice) else (),
        start="" if field.start is None else str(field.start),
        hint=field.hint,
    )


def unit_words(units: tuple[str, ...]) -> dict[str, str]:
    """Units by their codes, as people write them."""
    return {unit: UNIT_WORDS.get(unit, unit) for unit in units}
