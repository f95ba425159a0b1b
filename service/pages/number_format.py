"""Numbers and units as they stand on a screen; JSON has them in full."""

from __future__ import annotations

from typing import Final

from service.store.model import Reading

_SHOWN: Final = {
    "temperature": ("°C", 1),
    "ph": ("", 2),
    "illuminance": ("lx", 0),
    "ppfd": ("µmol/m²/s", 0),
    "conductivity": ("µS/cm", 0),
    "dissolved_oxygen": ("mg/L", 1),
}
"""Quantity -> unit and decimals on a screen."""

_UNIT_WORDS: Final = {
    "Cel": "°C",
    "[pH]": "",
    "1": "",
    "umol/m2/s": "µmol/m²/s",
    "mol/m2/d": "mol/m²/d",
    "uS/cm": "µS/cm",
    "K.h": "K·h",
    "lx.h": "lx·h",
}
_THIN_SPACE: Final = "\u202f"


def unit_words(ucum: str) -> str:
    """A unit for a person, from its UCUM code."""
    return _UNIT_WORDS.get(ucum, ucum)


def shown_value(reading: Reading) -> tuple[str, str]:
    """The value and the unit of a reading as a person reads them."""
    unit, decimals = _SHOWN[reading.quantity]
    return f"{reading.value:,.{decimals}f}".replace(",", _THIN_SPACE), unit
