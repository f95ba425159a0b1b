"""What is measured: each quantity with its words, canonical unit and plausible range."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Quantity:
    """What is measured, its canonical unit and the range that is physically plausible in a tank.

    Attributes:
        name: as in topics and JSON, e.g. ``temperature``.
        words: as people call it, e.g. ``pH``.
        ucum: canonical unit as UCUM code, as written in JSON.
        pint_unit: the same unit as pint writes it.
        plausible_low, plausible_high: outside of it a reading is flagged, in canonical units.
    """

    name: str
    words: str
    ucum: str
    pint_unit: str
    plausible_low: float
    plausible_high: float


# Plausible ranges: common practice, no source. They bound what a freshwater tank indoors and a
# working sensor can show, not what is good for animals. Freezing water is at 0 °C, and a plain
# thermometer shows up to half a degree less.
QUANTITIES: Final[dict[str, Quantity]] = {
    quantity.name: quantity
    for quantity in (
        Quantity("temperature", "temperature", "Cel", "degC", -1.0, 45.0),
        Quantity("ph", "pH", "[pH]", "pH_unit", 3.0, 11.0),
        Quantity("illuminance", "light", "lx", "lux", 0.0, 200_000.0),
        Quantity("ppfd", "PPFD", "umol/m2/s", "umol/m**2/s", 0.0, 3_000.0),
        Quantity("conductivity", "conductivity", "uS/cm", "uS/cm", 0.0, 5_000.0),
        Quantity("dissolved_oxygen", "oxygen", "mg/L", "mg/L", 0.0, 30.0),
    )
}


def quantity_words(name: str) -> str:
    """What people call a quantity, ``pH``; an unknown one by its own name."""
    known = QUANTITIES.get(name)
    return name if known is None else known.words


def quantity_title(name: str) -> str:
    """The same at the beginning of a sentence or a row, ``Temperature``; pH stays pH."""
    words = quantity_words(name)
    return words if words == "pH" else f"{words[:1].upper()}{words[1:]}"
