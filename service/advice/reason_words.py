"""Reasons of recommendations in words: shares in percent, times as spoken, nothing twice."""

from __future__ import annotations

from typing import Final

from service.advice.engine.recommendation import Evidence
from service.advice.phrases import capitalised, span
from service.registry.log.observations import OBSERVATIONS

_COUNTS: Final = frozenset({"count", *OBSERVATIONS})
"""What is compared, where its unit is 1 and it is no share."""

_DECIMALS: Final = {
    "Cel": (1, "°C"),
    "K": (1, "°C"),
    "K/h": (1, "°C per hour"),
    "K/d": (1, "°C a day"),
    "K.h": (0, "degree-hours"),
    "[pH]": (2, ""),
    "%": (0, "%"),
    "L": (0, "L"),
    "mol/m2/d": (1, "mol/m² a day"),
    "umol/m2/s": (0, "µmol/m²/s"),
    "lx": (0, "lx"),
    "uS/cm": (0, "µS/cm"),
}
_STARTS: Final = frozenset({"1", "%", "min", "h", "d"})
"""Units of which advice is given from an amount on; other limits are limits."""


def reason_words(one: Evidence) -> str:
    """``Replant logged today 10:00, 40 % touched; advised from 20 %``.

    What the text says already is not said again.
    """
    words = capitalised(one.text)
    value = None if one.value is None else amount_words(one.value, one.unit, one.name)
    if value is not None and value not in one.text:
        words = f"{words}: {value}"
    if one.threshold is None:
        return words
    limit = amount_words(one.threshold, one.unit, one.name)
    if limit in one.text or limit == value:
        return words
    above = one.value is not None and one.value >= one.threshold
    return f"{words}; {'advised from' if above and one.unit in _STARTS else 'limit'} {limit}"


def amount_words(value: float, unit: str, name: str = "") -> str:
    """An amount as people say it: ``40 %``, ``3.5 h``, ``26.4 °C``."""
    if unit == "1":
        return f"{value:.0f}" if name in _COUNTS else f"{100 * value:.0f} %"
    if unit in ("min", "h", "d", "s"):
        return span(value * {"min": 1.0, "h": 60.0, "d": 1440.0, "s": 1 / 60}[unit])
    if unit in _DECIMALS:
        decimals, shown = _DECIMALS[unit]
        return f"{value:.{decimals}f} {shown}".strip()
    number = f"{value:.0f}" if abs(value) >= 10 else f"{value:.2g}"
    return f"{number} {unit}".strip()
