"""Animals of a tank, group by group: the limits in force and where each comes from."""

from __future__ import annotations

from dataclasses import dataclass

from service.registry.models.tank import Stock, Tank
from service.registry.species.names import meant, species, suggestion, valid_name
from service.registry.species.ranges import OWN, is_unknown, range_source, resolved
from service.registry.species.table import PRACTICE, SOURCES


@dataclass(frozen=True, slots=True)
class Group:
    """A group of animals of one species as it is judged.

    Attributes:
        stock: with what it leaves open filled from the table of species.
        listed_as: the name in the table; "" where it is not listed.
        vernacular: its plain names.
        covered: whether anything says at which temperatures it lives.
        tolerable_source, comfortable_source, co2_source: of the limits; "" without any.
        gh_dgh: general hardness that it is kept at; None where not listed.
        note: a sentence, where the name is a synonym or nothing is known; else "".
    """

    stock: Stock
    listed_as: str
    vernacular: tuple[str, ...]
    covered: bool
    tolerable_source: str
    comfortable_source: str
    co2_source: str
    gh_dgh: tuple[float, float] | None
    note: str


def groups_of(tank: Tank) -> tuple[Group, ...]:
    """The groups of animals of a tank that are there."""
    return tuple(_group(stock) for stock in tank.animals if stock.count > 0)


def _group(stock: Stock) -> Group:
    known = species(stock.species)
    co2 = SOURCES[PRACTICE] if known is None else known.co2_source
    return Group(
        stock=resolved(stock),
        listed_as="" if known is None else known.name,
        vernacular=() if known is None else known.vernacular,
        covered=not is_unknown(stock),
        tolerable_source=_source(stock, comfortable=False),
        comfortable_source=_source(stock, comfortable=True),
        co2_source=OWN if stock.co2_max_mg_l is not None else co2,
        gh_dgh=None if known is None else (known.gh_dgh.low, known.gh_dgh.high),
        note=_note(stock),
    )


def _source(stock: Stock, *, comfortable: bool) -> str:
    """Of both ends; named once where they have the same."""
    ends = [range_source(stock, side, comfortable=comfortable) for side in ("below", "above")]
    return "; ".join(dict.fromkeys(filter(None, ends)))


def _note(stock: Stock) -> str:
    if valid := valid_name(stock.species):
        return f"listed as {valid}"
    if species(stock.species) is not None:
        return ""
    near = ", ".join(suggestion(one) for one in meant(stock.species))
    perhaps = f"; perhaps {near} is meant" if near else ""
    if is_unknown(stock):
        return f"not listed and without a range of its own: no advice covers it{perhaps}"
    return f"not listed: judged by the tank's own limits{perhaps}"
