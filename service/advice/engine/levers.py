"""Levers: what advice may move in a tank, and which way."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from service.registry.models.log import Lever


class Way(StrEnum):
    """Which way a lever is moved."""

    MORE = "more"
    LESS = "less"
    EARLIER = "earlier"
    LATER = "later"

    @property
    def opposite(self) -> Way:
        """The other way."""
        return _OPPOSITE[self]


_OPPOSITE: Final = {
    Way.MORE: Way.LESS,
    Way.LESS: Way.MORE,
    Way.EARLIER: Way.LATER,
    Way.LATER: Way.EARLIER,
}


@dataclass(frozen=True, slots=True)
class Move:
    """One lever, one way: ``gas-flow:more``."""

    lever: Lever
    way: Way

    @property
    def opposite(self) -> Move:
        """The same lever the other way."""
        return Move(self.lever, self.way.opposite)

    def __str__(self) -> str:
        return f"{self.lever}:{self.way}"


MORE_GAS: Final = Move(Lever.GAS_FLOW, Way.MORE)
LESS_GAS: Final = Move(Lever.GAS_FLOW, Way.LESS)
GAS_EARLIER: Final = Move(Lever.GAS_TIMES, Way.EARLIER)
GAS_LATER: Final = Move(Lever.GAS_TIMES, Way.LATER)
LONGER_LIGHT: Final = Move(Lever.LIGHT_HOURS, Way.MORE)
SHORTER_LIGHT: Final = Move(Lever.LIGHT_HOURS, Way.LESS)
STRONGER_LIGHT: Final = Move(Lever.LIGHT_STRENGTH, Way.MORE)
WEAKER_LIGHT: Final = Move(Lever.LIGHT_STRENGTH, Way.LESS)
CHANGE_WATER: Final = Move(Lever.WATER, Way.MORE)
WARMER: Final = Move(Lever.HEAT, Way.MORE)
COOLER: Final = Move(Lever.HEAT, Way.LESS)
MORE_DOSE: Final = Move(Lever.DOSE, Way.MORE)
LESS_DOSE: Final = Move(Lever.DOSE, Way.LESS)
LESS_FEED: Final = Move(Lever.FEEDING, Way.LESS)

MORE_LIGHT: Final = (LONGER_LIGHT, STRONGER_LIGHT)
LESS_LIGHT: Final = (SHORTER_LIGHT, WEAKER_LIGHT)

SAFER: Final = frozenset({LESS_GAS, GAS_LATER, SHORTER_LIGHT, WEAKER_LIGHT, COOLER, LESS_DOSE})
"""Preferred where both ways are asked for with equal severity: less CO2, less heat, less light and
less fertiliser put no animal at risk, more of them may."""
