"""What animals tolerate: by species, and what all animals of a tank share."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from service.registry.models import Stock
from service.registry.species.table import PRACTICE, SPECIES, Species

CO2_MAX_UNKNOWN_MG_L = 30.0
"""For animals of which nothing is known: the usual upper aim (common practice, no source)."""

_BY_NAME = {name.casefold(): entry for entry in SPECIES for name in (entry.name, *entry.synonyms)}


def species(name: str) -> Species | None:
    """The species of a scientific name or one of its synonyms, in any case; None if not listed."""
    return _BY_NAME.get(" ".join(name.split()).casefold())


def resolved(stock: Stock) -> Stock:
    """The group with what it leaves open filled from its species, where that is listed."""
    known = species(stock.species)
    if known is None:
        return stock

    def filled(own: float | None, listed: float) -> float:
        return listed if own is None else own

    return replace(
        stock,
        temperature_low_c=filled(stock.temperature_low_c, known.temperature_low_c),
        temperature_high_c=filled(stock.temperature_high_c, known.temperature_high_c),
        co2_max_mg_l=filled(stock.co2_max_mg_l, known.co2_max_mg_l),
        air_breather=known.air_breather if stock.air_breather is None else stock.air_breather,
    )


@dataclass(frozen=True, slots=True)
class SharedRange:
    """The temperatures that all animals of a tank tolerate.

    Attributes:
        low_c, high_c: None where no animal with a known range lives in the tank.
        low_species, high_species: whose limit that is; "" with None.
    """

    low_c: float | None
    low_species: str
    high_c: float | None
    high_species: str

    @property
    def contradicts(self) -> bool:
        """No temperature suits all: the highest lower limit is above the lowest upper one."""
        return self.low_c is not None and self.high_c is not None and self.low_c > self.high_c


def shared_temperature_range(livestock: Iterable[Stock]) -> SharedRange:
    """The range shared by all animals: the highest lower limit and the lowest upper limit."""
    groups = [resolved(stock) for stock in livestock if stock.count > 0]
    lows = [(g.temperature_low_c, g.species) for g in groups if g.temperature_low_c is not None]
    highs = [(g.temperature_high_c, g.species) for g in groups if g.temperature_high_c is not None]
    low_c, low_species = max(lows, default=(None, ""))
    high_c, high_species = min(highs, default=(None, ""))
    return SharedRange(low_c, low_species, high_c, high_species)


@dataclass(frozen=True, slots=True)
class Co2Ceiling:
    """The most dissolved CO2 that all animals of a tank tolerate.

    Attributes:
        co2_mg_l: mg/L.
        species: whose limit that is.
        newcomer: lowered because the animals are new.
        source: where the limit comes from.
    """

    co2_mg_l: float
    species: str
    newcomer: bool
    source: str


def co2_ceiling(
    livestock: Iterable[Stock], is_new: Callable[[Stock], bool], newcomer_share: float
) -> Co2Ceiling | None:
    """The lowest CO2 ceiling among the animals; None for a tank without animals.

    Args:
        is_new: whether a group is not yet used to the CO2.
        newcomer_share: share of their ceiling that new animals get.
    """
    ceilings = [
        _ceiling(stock, newcomer_share if is_new(stock) else None)
        for stock in livestock
        if stock.count > 0
    ]
    return min(ceilings, key=lambda ceiling: ceiling.co2_mg_l, default=None)


def _ceiling(stock: Stock, newcomer_share: float | None) -> Co2Ceiling:
    known = species(stock.species)
    if stock.co2_max_mg_l is not None:
        limit, source = stock.co2_max_mg_l, "set for this tank"
    elif known is not None:
        limit, source = known.co2_max_mg_l, known.co2_source
    else:
        limit, source = CO2_MAX_UNKNOWN_MG_L, PRACTICE
    if newcomer_share is None:
        return Co2Ceiling(limit, stock.species, False, source)
    return Co2Ceiling(limit * newcomer_share, stock.species, True, source)
