"""What animals are comfortable with and what they tolerate: by species, and what a tank shares."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Literal

from service.registry.models.tank import Stock
from service.registry.species.names import species
from service.registry.species.table import PRACTICE, SOURCES, Species

CO2_COMFORTABLE_UNKNOWN_MG_L: Final = 30.0
CO2_MAX_UNKNOWN_MG_L: Final = 34.0
"""For animals of which nothing is known: as for the listed fish (common practice, no source)."""

OWN: Final = "set for this tank"
MOST_GROUPS: Final = 4096
"""Groups of animals that are remembered, by all that they say themselves; a tank's are asked for
several times in each answer, and the table of species stays as it is."""
NARROWEST_K: Final = 1.0
"""A shared range no wider than this can't be held. Our choice."""


@lru_cache(maxsize=MOST_GROUPS)
def resolved(stock: Stock) -> Stock:
    """The group with what it leaves open filled from its species, where that is listed.

    The tank's own limits win. Where it says only what the animals tolerate, they are comfortable
    in all of it; where it says only where they are comfortable, they tolerate that too.
    """
    known = species(stock.species)
    low = _filled(
        stock.comfortable_low_c,
        stock.temperature_low_c,
        None if known is None else (known.comfortable_c.low, known.tolerable_c.low),
        outer=min,
    )
    high = _filled(
        stock.comfortable_high_c,
        stock.temperature_high_c,
        None if known is None else (known.comfortable_c.high, known.tolerable_c.high),
        outer=max,
    )
    co2 = _filled(
        stock.co2_comfortable_mg_l,
        stock.co2_max_mg_l,
        None if known is None else (known.co2_comfortable_mg_l, known.co2_tolerable_mg_l),
        outer=max,
    )
    listed = None if known is None else known.air_breather
    return replace(
        stock,
        comfortable_low_c=low[0],
        comfortable_high_c=high[0],
        temperature_low_c=low[1],
        temperature_high_c=high[1],
        co2_comfortable_mg_l=co2[0],
        co2_max_mg_l=co2[1],
        air_breather=listed if stock.air_breather is None else stock.air_breather,
    )


def _filled(
    own_comfortable: float | None,
    own_tolerable: float | None,
    listed: tuple[float, float] | None,
    outer: Callable[[float, float], float],
) -> tuple[float | None, float | None]:
    """Comfortable and tolerable end of a range.

    Args:
        outer: of two ends the one that is further out.
    """
    comfortable = own_comfortable
    if comfortable is None:
        comfortable = own_tolerable if own_tolerable is not None else listed and listed[0]
    tolerable = own_tolerable if own_tolerable is not None else listed and listed[1]
    if comfortable is not None:
        if tolerable is None or own_tolerable is None:
            tolerable = comfortable if tolerable is None else outer(comfortable, tolerable)
        elif outer(comfortable, tolerable) != tolerable:
            comfortable = tolerable
    return comfortable, tolerable


def is_unknown(stock: Stock) -> bool:
    """Whether nothing says at which temperatures the group lives."""
    filled = resolved(stock)
    return filled.temperature_low_c is None and filled.temperature_high_c is None


def range_source(stock: Stock, side: str, *, comfortable: bool = False) -> str:
    """Where an end of a group's range comes from; "" where there is none.

    Args:
        side: ``above`` for the upper end, ``below`` for the lower.
    """
    end = "high" if side == "above" else "low"
    own = (getattr(stock, f"comfortable_{end}_c"), getattr(stock, f"temperature_{end}_c"))
    if (own != (None, None)) if comfortable else own[1] is not None:
        return OWN
    known = species(stock.species)
    if known is None:
        return "" if own == (None, None) else OWN
    return (known.comfortable_c if comfortable else known.tolerable_c).source


@dataclass(frozen=True, slots=True)
class SharedRange:
    """The temperatures that all animals of a tank share.

    Attributes:
        low_c, high_c: None where no animal with a known range lives in the tank.
        low_species, high_species: whose limit that is; "" with None.
    """

    low_c: float | None = None
    low_species: str = ""
    high_c: float | None = None
    high_species: str = ""

    def end_c(self, side: str) -> float | None:
        """The upper limit for ``above``, the lower for ``below``."""
        return self.high_c if side == "above" else self.low_c

    def species(self, side: str) -> str:
        """Whose limit that is."""
        return self.high_species if side == "above" else self.low_species

    def side_of(self, celsius: float) -> Literal["above", "below", ""]:
        """On which side of it a temperature lies; "" within it, and on a limit."""
        if self.low_c is not None and celsius < self.low_c:
            return "below"
        return "above" if self.high_c is not None and celsius > self.high_c else ""

    @property
    def is_open(self) -> bool:
        """Nothing limits it."""
        return self.low_c is None and self.high_c is None

    @property
    def width_k(self) -> float | None:
        """How wide it is, below 0 where the ranges contradict each other; None if open."""
        return None if self.low_c is None or self.high_c is None else self.high_c - self.low_c

    @property
    def too_narrow(self) -> bool:
        """Nothing suits all, or too little to hold; one species alone may be as it is."""
        width = self.width_k
        return width is not None and (
            width <= 0 or (width <= NARROWEST_K and self.low_species != self.high_species)
        )


NO_RANGE: Final = SharedRange()


def tolerable_range(animals: Iterable[Stock]) -> SharedRange:
    """What all animals tolerate: the highest lower limit and the lowest upper limit."""
    groups = _present(animals)
    return _shared(
        [(one.temperature_low_c, one.species) for one in groups],
        [(one.temperature_high_c, one.species) for one in groups],
    )


def comfortable_range(animals: Iterable[Stock]) -> SharedRange:
    """Where all animals are comfortable, likewise."""
    groups = _present(animals)
    return _shared(
        [(one.comfortable_low_c, one.species) for one in groups],
        [(one.comfortable_high_c, one.species) for one in groups],
    )


def outer_range(animals: Iterable[Stock]) -> SharedRange:
    """What at least one of the animals tolerates: beyond it the water suits none."""
    groups = _present(animals)
    lows = [(one.temperature_low_c, one.species) for one in groups]
    highs = [(one.temperature_high_c, one.species) for one in groups]
    low_c, low_species = min(_known(lows), default=(None, ""))
    high_c, high_species = max(_known(highs), default=(None, ""))
    return SharedRange(low_c, low_species, high_c, high_species)


_End = tuple[float | None, str]


def _present(animals: Iterable[Stock]) -> list[Stock]:
    return [resolved(stock) for stock in animals if stock.count > 0]


def _shared(lows: list[_End], highs: list[_End]) -> SharedRange:
    low_c, low_species = max(_known(lows), default=(None, ""))
    high_c, high_species = min(_known(highs), default=(None, ""))
    return SharedRange(low_c, low_species, high_c, high_species)


def _known(ends: Iterable[_End]) -> list[tuple[float, str]]:
    return [(end, name) for end, name in ends if end is not None]


@dataclass(frozen=True, slots=True)
class Co2Ceiling:
    """The most dissolved CO2 that all animals of a tank tolerate.

    Attributes:
        co2_mg_l: mg/L.
        species: whose limit that is.
        newcomer: lowered because the animals are new.
        source: where the limit comes from.
        comfortable_mg_l: up to which all are comfortable, mg/L.
        comfortable_species: whose limit that is.
    """

    co2_mg_l: float
    species: str
    newcomer: bool
    source: str
    comfortable_mg_l: float
    comfortable_species: str


def co2_ceiling(
    animals: Iterable[Stock], is_new: Callable[[Stock], bool], newcomer_fraction: float
) -> Co2Ceiling | None:
    """The lowest CO2 ceiling among the animals; None for a tank without animals.

    Args:
        is_new: whether a group is not yet used to the CO2.
        newcomer_fraction: share of their ceiling that new animals get.
    """
    ceilings = [
        _ceiling(stock, newcomer_fraction if is_new(stock) else None)
        for stock in animals
        if stock.count > 0
    ]
    if not ceilings:
        return None
    calm = min(ceilings, key=lambda one: one.comfortable_mg_l)
    return replace(
        min(ceilings, key=lambda one: one.co2_mg_l),
        comfortable_mg_l=calm.comfortable_mg_l,
        comfortable_species=calm.comfortable_species,
    )


def _ceiling(stock: Stock, newcomer_fraction: float | None) -> Co2Ceiling:
    known: Species | None = species(stock.species)
    filled = resolved(stock)
    limit, comfortable = filled.co2_max_mg_l, filled.co2_comfortable_mg_l
    limit = CO2_MAX_UNKNOWN_MG_L if limit is None else limit
    comfortable = CO2_COMFORTABLE_UNKNOWN_MG_L if comfortable is None else comfortable
    source = SOURCES[PRACTICE] if known is None else known.co2_source
    if stock.co2_max_mg_l is not None:
        source = OWN
    share = 1.0 if newcomer_fraction is None else newcomer_fraction
    return Co2Ceiling(
        limit * share, stock.species, newcomer_fraction is not None, source,
        min(comfortable, limit) * share, stock.species,
    )  # fmt: skip
