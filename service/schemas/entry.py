"""What a person writes in a form or on the command line, as the JSON that a field reads."""

from __future__ import annotations

from typing import Any, Final

import marshmallow as ma

from service.errors import Refusal
from service.schemas.fields import Field, Number, Whole, YesNo
from service.schemas.quantities import Measure, Ph, Share
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
    if not isinstance(field, Measure):
        return ()
    usual = field.display or field.unit
    return _UNITS.get(usual, (usual,))


def is_number(field: ma.fields.Field[Any]) -> bool:
    """Whether a field asks for a number."""
    return isinstance(field, Measure | Ph | Number | Whole)


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
    example = f"4 or 4.5 {units_of(field)[0]}" if isinstance(field, Measure) else "4 or 4.5"
    refusal = ma.ValidationError([Refusal(text, f"a number such as {example}")])
    try:
        number, own = split_number_and_unit(text)
    except ValueError as error:
        raise refusal from error
    if isinstance(field, Share) and not (own or unit) and 0 < number <= 1:
        # 0.5 is half of it to one reader and half a per cent to the other.
        raise ma.ValidationError([Refusal(text, "a number with its sign, such as 50 % or 0.5 %")])
    if isinstance(field, Measure):
        return {"value": number, "unit": own or unit or units_of(field)[0]}
    if own is not None:
        raise refusal
    return int(number) if isinstance(field, Whole) and number == int(number) else number
