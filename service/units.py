"""The one place where units are understood: any pint unit in, canonical UCUM codes out.

Values are converted once, at the edge. ``pH`` and the degrees of hardness are defined here,
because pint reads ``pH`` as picohenry and knows no degrees of hardness.
"""

from __future__ import annotations

import math
import re
import threading
from functools import cache, lru_cache
from itertools import count
from typing import TYPE_CHECKING, Final

from service.errors import UnknownUnitError
from service.quantities import QUANTITIES
from service.science.water.hardness import CACO3_MG_PER_MEQ, MEQ_L_PER_DEGREE

if TYPE_CHECKING:
    import pint

HARDNESS: Final = "meq/L of Ca and Mg"
"""General hardness, canonical: as meq/L, but a mole of calcium or magnesium counts as two."""

_GRAIN_MG: Final = 64.79891  # exact, NIST SP 811 (2008), appendix B, as the gallons below

#: The units of hardness and alkalinity, as ``_ALIASES`` has them, in meq/L. French and English
#: degrees: ISO 6059 (from memory).
_HARDNESS: Final[dict[str, float]] = {
    "milliequivalent/liter": 1.0,
    "dKH": MEQ_L_PER_DEGREE,
    "dGH": MEQ_L_PER_DEGREE,
    "ppm_caco3": 1 / CACO3_MG_PER_MEQ,
    "french_degree": 10 / CACO3_MG_PER_MEQ,
    "english_degree": _GRAIN_MG / 4.54609 / CACO3_MG_PER_MEQ,
    "grain_per_us_gallon": _GRAIN_MG / 3.785411784 / CACO3_MG_PER_MEQ,
}


_making: Final = threading.Lock()


def _registry() -> pint.UnitRegistry[float]:
    """The one registry of units: those of two would not go together."""
    with _making:
        return _made_registry()


@cache
def _made_registry() -> pint.UnitRegistry[float]:
    """All units; made when one is first needed, since pint takes a quarter of a second."""
    import pint

    made: pint.UnitRegistry[float] = pint.UnitRegistry(
        autoconvert_offset_to_baseunit=True, cache_folder=None
    )
    for definition in (
        "pH_unit = []",
        "equivalent = mole = eq",
        f"degree_carbonate_hardness = {_HARDNESS['dKH']} * milliequivalent / liter = dKH",
        f"degree_general_hardness = {_HARDNESS['dGH']} * milliequivalent / liter = dGH",
        *(
            f"{name} = {_HARDNESS[name]} * milliequivalent / liter"
            for name in ("ppm_caco3", "french_degree", "english_degree", "grain_per_us_gallon")
        ),
    ):
        made.define(definition)
    return made


# Codes of UCUM, SenML (RFC 8428, RFC 8798) and the trade that pint reads otherwise or not at all.
_ALIASES: Final[dict[str, str]] = {
    "Cel": "degC",
    "C": "degC",
    "°C": "degC",
    "degC": "degC",
    "celsius": "degC",
    "F": "degF",
    "°F": "degF",
    "[degF]": "degF",
    "degF": "degF",
    "fahrenheit": "degF",
    "K": "kelvin",
    "pH": "pH_unit",
    "[pH]": "pH_unit",
    "ph": "pH_unit",
    "lx": "lux",
    "umol/m2/s": "umol/m**2/s",
    "µmol/m²/s": "umol/m**2/s",
    "umol/m²/s": "umol/m**2/s",
    "mol/m2/d": "mol/m**2/day",
    "µS/cm": "uS/cm",
    "dKH": "dKH",
    "°dKH": "dKH",
    "KH": "dKH",
    "dGH": "dGH",
    "°dGH": "dGH",
    "dH": "dKH",
    "°dH": "dKH",
    "ppm CaCO3": "ppm_caco3",
    "mg/L CaCO3": "ppm_caco3",
    "mg/l CaCO3": "ppm_caco3",
    "meq/L": "milliequivalent/liter",
    "meq/l": "milliequivalent/liter",
    "mval/L": "milliequivalent/liter",
    "mval/l": "milliequivalent/liter",
    HARDNESS: "milliequivalent/liter",
    "°fH": "french_degree",
    "fH": "french_degree",
    "°e": "english_degree",
    "°eH": "english_degree",
    "°Clark": "english_degree",
    "gpg": "grain_per_us_gallon",
    "K.h": "kelvin*hour",
    "gal": "gallon",
    "US gal": "gallon",
    "imp gal": "imperial_gallon",
    "UK gal": "imperial_gallon",
    "[gal_br]": "imperial_gallon",
    "fl oz": "fluid_ounce",
    "[gal_us]": "gallon",
    "[in_i]": "inch",
    "[ft_i]": "foot",
    "L": "liter",
    "l": "liter",
    "%": "percent",
    "h": "hour",
    "min": "minute",
    "d": "day",
}
# One word, or words with a one-digit power, joined by / * . or a blank: pint would evaluate
# anything else as arithmetic (a tower of powers keeps it busy for ever).
_WORD = r"[A-Za-zµμ°Ω%_]+(?:(?:\*\*|\^)?-?[1-9]|[²³]|⁻[¹²³])?"
_UNIT_TEXT = re.compile(rf"(?=.{{1,40}}$){_WORD}(?:(?: ?[/*] ?| ){_WORD})*")
_MOLES = re.compile(r"mol|^[mµμu]?M$")
_MILLIONS = re.compile(r"(?:^|[/* ])(?:mega|M(?=g|l|L|S|m|eq|Eq|V))")
_UCUM_POWER = re.compile(r"([A-Za-zµμ])(\d)")
# Blanks are taken once and for all: to try each of them would take the square of their number.
_NUMBER = re.compile(r"([-+]?(?:\d+,\d+|\d+\.?\d*|[.,]\d+)(?:[eE][-+]?\d+)?)\s*+(.*)")
_THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")


def _unit(text: str) -> pint.Unit:
    """The pint unit of a unit text; the text never reaches pint unchecked."""
    return _unit_of(text.strip())


FORGET_AFTER: Final = 1_000
"""Units that pint may remember: about 2 MB. Our choice."""

_asked: Final = count(1)


@lru_cache(maxsize=512)
def _unit_of(cleaned: str) -> pint.Unit:
    """The same of a text without blanks around it: what is cached is then short."""
    fault = UnknownUnitError(
        f"unit is {cleaned[:40]!r}; allowed: a unit such as Cel, degF, L, gal, dKH or mS/cm"
    )
    known = _ALIASES.get(cleaned)
    if known is None:
        # pint would read any of these as a prefix and a unit of electricity or of time.
        if not _UNIT_TEXT.fullmatch(cleaned) or cleaned.lower() == "ph":
            raise fault
        if _MILLIONS.search(cleaned):
            raise UnknownUnitError(
                f"unit is {cleaned!r}; allowed: no millions (a capital M is a million; write m for "
                "milli)"
            )
        known = _UCUM_POWER.sub(r"\1**\2", cleaned)
    from pint.errors import PintError

    registry = _registry()
    if next(_asked) % FORGET_AFTER == 0:
        _forget(registry)
    try:
        return registry.Unit(known)
    except (
        PintError,
        ValueError,
        TypeError,
        AttributeError,
        AssertionError,
        KeyError,
    ) as error:
        raise fault from error


def _forget(registry: pint.UnitRegistry[float]) -> None:
    """Have pint forget what it has remembered of units: it never does, and strangers name them."""
    registry._cache = type(registry._cache)()  # another thread may still use the old one


def convert(value: float, unit: str, to: str) -> float:
    """Convert a value between two units.

    Args:
        value: number in ``unit``.
        unit: UCUM code, SenML unit, trade unit (dKH, ppm CaCO3) or anything pint understands.
        to: the same kinds of text. Where one is ``HARDNESS``, a mole counts two equivalents.

    Raises:
        UnknownUnitError: if a unit is not understood or the two do not fit each other.
    """
    if unit == to:
        return float(value)
    if HARDNESS in (unit, to):
        value *= _equivalents(unit) / _equivalents(to)
    known, wanted = _ALIASES.get(unit.strip(), ""), _ALIASES.get(to.strip(), "")
    if known and known == wanted:
        return float(value)
    if known in _HARDNESS and wanted in _HARDNESS:
        return float(value) * _HARDNESS[known] / _HARDNESS[wanted]
    source, target = _unit(unit), _unit(to)
    from pint.errors import PintError

    try:
        return float(_registry().Quantity(value, source).to(target).magnitude)
    except PintError as error:
        raise UnknownUnitError(
            f"unit is {unit!r}; allowed: a unit that converts to {to!r}"
        ) from error


def _equivalents(unit: str) -> float:
    """Equivalents in one of a unit's particles of calcium or magnesium."""
    return 2.0 if _MOLES.search(unit.strip()) else 1.0


def to_canonical(quantity: str, value: float, unit: str | None = None) -> float:
    """Convert a measured value to the canonical unit of its quantity.

    Args:
        quantity: one of ``QUANTITIES``.
        value: the number as sent.
        unit: its unit; None means that it is canonical already.

    Raises:
        UnknownUnitError: unknown quantity, unknown unit, or a unit that does not fit.
    """
    if quantity not in QUANTITIES:
        raise UnknownUnitError(f"quantity is {quantity!r}; allowed: {', '.join(QUANTITIES)}")
    if unit is None or unit == QUANTITIES[quantity].ucum:
        return float(value)
    return convert(value, unit, QUANTITIES[quantity].pint_unit)


def split_number_and_unit(text: str) -> tuple[float, str | None]:
    """Split ``72.4 °F`` or ``72,4 °F`` into its number and its unit (None when there is none).

    Raises:
        ValueError: if the text does not start with a number, if the number is not finite, or if
            its comma may stand for thousands (``5,200``).
    """
    match = _NUMBER.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"value is {text[:40]!r}; allowed: a number, with a unit if need be")
    number = match.group(1)
    if _THOUSANDS.fullmatch(number):
        point, none = number.replace(",", "."), number.replace(",", "")
        raise ValueError(f"value is {text[:40]!r}; allowed: {point} or {none}, without a comma")
    value = float(number.replace(",", "."))
    if not math.isfinite(value):
        raise ValueError(f"value is {text[:40]!r}; allowed: a finite number")
    return value, match.group(2) or None
