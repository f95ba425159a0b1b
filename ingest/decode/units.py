"""Converts the unit as sent to the canonical unit, or to the raw scale of a probe."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final, NamedTuple

from ingest.decode.message import PayloadError, Reason
from service.errors import UnknownUnitError
from service.quantities import QUANTITIES
from service.units import convert

#: Raw scales that calibration turns into a quantity: electrode or sensor voltage, and lux of a
#: light sensor that was compared with a PAR meter. Scale -> quantities it can be calibrated to.
RAW_SCALES: Final = {"mV": frozenset(QUANTITIES), "lx": frozenset({"ppfd"})}

#: pH has no dimension, so every other number without one (percent, ppm) would pass for it.
_PH_UNITS: Final = frozenset({"pH", "[pH]", "ph"})


class Conversion(NamedTuple):
    """value = gain * number + offset, in the raw ``scale``, or the canonical unit."""

    scale: str | None
    gain: float
    offset: float


def conversion_to(quantity: str, unit: str | None) -> Conversion:
    """How to convert numbers of a unit to a quantity's canonical unit or to a raw scale.

    Every unit that is accepted is affine to the canonical one, so two points define it.

    Raises:
        PayloadError: the unit is not understood or does not fit the quantity.
    """
    return _conversion_to(quantity, None if unit is None else unit.strip())


@lru_cache(maxsize=1024)
def _conversion_to(quantity: str, unit: str | None) -> Conversion:
    """The same of a unit without blanks around it: what is cached is then short."""
    canonical = QUANTITIES[quantity]
    if unit is None or unit == canonical.ucum:
        return Conversion(None, 1.0, 0.0)
    try:
        if quantity == "ph" and unit.strip() not in _PH_UNITS:
            raise UnknownUnitError(f"unit is {unit!r}; allowed: pH or mV")
        return _affine(None, unit, canonical.pint_unit)
    except UnknownUnitError as error:
        for raw, quantities in RAW_SCALES.items():
            if quantity in quantities:
                try:
                    return _affine(raw, unit, raw)
                except UnknownUnitError:
                    continue
        raise PayloadError(
            Reason.UNKNOWN_UNIT,
            f"unit is {unit!r:.60}; allowed for {quantity}: {canonical.ucum}, a unit that converts "
            "to it, or mV with a calibration",
        ) from error


def _affine(scale: str | None, unit: str, to: str) -> Conversion:
    at_zero, at_hundred = convert(0.0, unit, to), convert(100.0, unit, to)
    return Conversion(scale, (at_hundred - at_zero) / 100.0, at_zero)


def converted(conversion: Conversion, value: float) -> float:
    """Apply a conversion.

    Raises:
        PayloadError: the result is too large for a number.
    """
    result = value * conversion.gain + conversion.offset
    if not math.isfinite(result):
        raise PayloadError(Reason.NOT_FINITE, f"value is {value!r}; allowed: a smaller number")
    return result
