"""The plants of a tank as its page lists them, with their demand and height."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from service.derive.plants import Planted, plants_of
from service.registry.models import Tank


@dataclass(frozen=True, slots=True)
class PlantLine:
    """Plants of one species.

    Attributes:
        name: scientific, and a plain one where there is one.
        demand: light, CO2, height and place; "" where nothing is known.
        note: what to know of it in this tank; may be "".
        source: of the demand, as the title of the line.
    """

    name: str
    demand: str
    note: str
    source: str


def plant_lines(tank: Tank) -> tuple[PlantLine, ...]:
    """The plants; those that need attention first."""
    lines = [_line(one) for one in plants_of(tank)]
    return tuple(sorted(lines, key=lambda one: not one.note))


def _line(one: Planted) -> PlantLine:
    plain = f" ({one.vernacular[0]})" if one.vernacular else ""
    return PlantLine(f"{one.plant.species}{plain}", ", ".join(_demand(one)), one.note, one.source)


def _demand(one: Planted) -> Iterator[str]:
    plant = one.plant
    if plant.light:
        yield f"light {plant.light}"
    if plant.co2:
        yield _CO2[plant.co2]
    if plant.height_low_cm is not None and plant.height_high_cm is not None:
        yield f"{plant.height_low_cm:g} to {plant.height_high_cm:g} cm"
    if one.place:
        yield _PLACES[one.place]


_CO2: Final = {
    "none": "no CO2 needed",
    "helpful": "grows better with CO2",
    "needed": "needs CO2",
}
_PLACES: Final = {
    "front": "foreground",
    "middle": "middle",
    "back": "background",
    "wood": "on wood or rock",
    "float": "floats",
}
