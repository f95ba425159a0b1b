"""What a person writes in a form or on the command line, as the JSON that a field reads."""

from __future__ import annotations

import re
from typing import Any, Final

import marshmallow as ma

from service.errors import Refusal
from service.schemas.fields import Field, Number, Whole, YesNo
from service.schemas.quantities import Fraction, Measure, Ph
from service.schemas.ranges import Range
from service.schemas.times import SpanOf
from service.times import SPAN_PATTERN
from service.units import split_number_and_unit

#: Units that are offered for a quantity, by the one in which people of the trade name it.
_UNITS: Final[dict[str, tuple[str, ...]]] = {
    "dKH": ("dKH", "meq/L", "mmol/L", "°fH", "°e", "ppm CaCO3"),
    "dGH": ("dGH", "meq/L", "mmol/L", "°fH", "°e", "ppm CaCO3"),
    "Cel": ("Cel", "[degF]"),
    "L": ("L", "gal", "[gal_br]"),
    "cm": ("cm", "in"),
    "m": ("m", "ft"),
}
_SPAN_WORDS: Final = (
    ("weeks", "w"), ("week", "w"), ("days", "d"), ("day", "d"), ("hours", "h"), ("hour", "h"),
    ("minutes", "m"), ("min", "m"),
)  # fmt: skip
#: Units as people write them, where that is not their UCUM code.
UNIT_WORDS: Final[dict[str, str]] = {
    "Cel": "°C",
    "[degF]": "°F",
    "dKH": "°dKH",
    "dGH": "°dGH",
    "ppm CaCO3": "ppm CaCO₃",
    "gal": "US gal",
    "[gal_br]": "imperial gal",
    "[pH]": "",
    "umol/m2/s": "µmol/m²/s",
    "mol/m2/d": "mol/m²/d",
    "uS/cm": "µS/cm",
}


def label_of(name: str, field: ma.fields.Field[Any]) -> str:
    """What a form calls a field, without its unit."""
    return getattr(field, "label", "") or name.replace("_", " ").capitalize()


def units_of(field: ma.fields.Field[Any]) -> tuple[str, ...]:
    """Units that a form offers for a field; the first is that of a bare number."""
    if isinstance(field, SpanOf):
        return (field.unit_word,)
    if not isinstance(field, Measure | Range):
        return ()
    if isinstance(field, Measure) and field.entry_units:
        return field.entry_units
    usual = (field.display if isinstance(field, Measure) else None) or field.unit
    return _UNITS.get(usual, (usual,))


def is_number(field: ma.fields.Field[Any]) -> bool:
    """Whether a field asks for a number."""
    return isinstance(field, Measure | Range | Ph | Number | Whole | SpanOf)


def json_of(field: Field, text: str, unit: str = "") -> Any:
    """The JSON of a value from the text that a person wrote.

    Args:
        text: a decimal comma is understood; a quantity may carry its own unit.
        unit: of a quantity without one; "" for the usual one.

    Raises:
        marshmallow.ValidationError: a number is asked for and this is none.
    """
    text = text.strip()
    if isinstance(field, YesNo):
        return {"true": True, "yes": True, "false": False, "no": False}.get(text.lower(), text)
    if not is_number(field):
        return text
    if isinstance(field, SpanOf):
        return _span_of(field, text)
    example = f"4 or 4.5 {units_of(field)[0]}" if isinstance(field, Measure) else "4 or 4.5"
    refusal = ma.ValidationError([Refusal(text, f"a number such as {example}")])
    try:
        number, own = split_number_and_unit(text)
    except ValueError as error:
        raise refusal from error
    if isinstance(field, Fraction) and not (own or unit) and 0 < number <= 1:
        # 0.5 is half of it to one reader and half a per cent to the other.
        raise ma.ValidationError([Refusal(text, "a number with its sign, such as 50 % or 0.5 %")])
    if isinstance(field, Measure):
        return {"value": number, "unit": own or unit or units_of(field)[0]}
    if own is not None:
        raise refusal
    return int(number) if isinstance(field, Whole) and number == int(number) else number


def range_of(field: Range, low: str, high: str, unit: str = "") -> Any:
    """The JSON of a range from the texts of its ends; an empty one is an open end.

    Raises:
        marshmallow.ValidationError: an end is no number, or both have units that differ.
    """
    ends: dict[str, Any] = {}
    faults: dict[str, Any] = {}
    used = unit or units_of(field)[0]
    for name, text in (("low", low.strip()), ("high", high.strip())):
        if not text:
            ends[name] = None
            continue
        try:
            number, own = split_number_and_unit(text if "." in text else text.replace(",", "."))
        except ValueError:
            faults[name] = [Refusal(text, "a number such as 20 or 20.5")]
            continue
        if own not in (None, used):
            faults[name] = [Refusal(text, f"a number, in {UNIT_WORDS.get(used, used)}")]
        ends[name] = number
    if faults:
        raise ma.ValidationError(faults)
    return {**ends, "unit": used}


def _span_of(field: SpanOf, text: str) -> str:
    """A length of time: a bare number counts in the field's unit; ``8 h``, ``8h30m``, ``PT8H``."""
    plain = text.replace(",", ".").replace(" ", "")
    for word, letter in _SPAN_WORDS:
        plain = plain.replace(word, letter)
    if re.fullmatch(r"[0-9]*\.?[0-9]+", plain):
        plain += field.unit_word[0]
    if field.zero and re.fullmatch(r"0*\.?0+[dhms]|PT0S", plain):
        return "PT0S"
    if not re.fullmatch(SPAN_PATTERN, plain):
        raise ma.ValidationError([Refusal(text, f"a length of time such as 8 {field.unit_word}")])
    return plain
