"""Doubts about a reading: flags, never silent drops."""

from __future__ import annotations

from service.store import Flag
from service.units import QUANTITIES


def plausibility(quantity: str, value: float) -> Flag:
    """``IMPLAUSIBLE`` where a value lies outside what its quantity can be in a tank."""
    known = QUANTITIES[quantity]
    if known.plausible_low <= value <= known.plausible_high:
        return Flag.NONE
    return Flag.IMPLAUSIBLE
