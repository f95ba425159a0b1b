"""Plants of a tank, species by species: demand, height and place, and where each comes from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from service.registry.models.tank import Plant, Tank
from service.registry.species.names import plant, plants_meant, suggestion, valid_name
from service.registry.species.ranges import OWN
from service.registry.species.table import PlantSpecies
from service.registry.volume import water_column_cm

OUT: Final = "grow-out"
"""The keeper's choice for leaves at the surface: they may grow out of the water."""


@dataclass(frozen=True, slots=True)
class Planted:
    """Plants of one species as they are listed.

    Attributes:
        plant: with what it leaves open filled from the table of species.
        listed_as: the name in the table; "" where it is not listed.
        vernacular: its plain names.
        place: in the layout; "" where not known.
        source: of demand and height; "" without any.
        note: what to know of it in this tank, such as that it needs CO2 and there is none; else "".
    """

    plant: Plant
    listed_as: str
    vernacular: tuple[str, ...]
    place: str
    source: str
    note: str


def plants_of(tank: Tank) -> tuple[Planted, ...]:
    """The plants of a tank, in its own order."""
    return tuple(_planted(one, tank) for one in tank.plants)


def reaching_cm(tank: Tank, height_cm: float) -> list[str]:
    """The species in the ground that grow to a height or above it, and are not to grow out."""
    return [one.plant.species for one in _reaching(tank, height_cm) if one.plant.at_surface != OUT]


def all_grow_out(tank: Tank, height_cm: float) -> bool:
    """Whether all species that grow to a height are left to grow out; not where none does."""
    found = _reaching(tank, height_cm)
    return bool(found) and all(one.plant.at_surface == OUT for one in found)


def _reaching(tank: Tank, height_cm: float) -> list[Planted]:
    return [
        one
        for one in plants_of(tank)
        if (one.plant.height_high_cm or 0.0) >= height_cm and one.place not in ("wood", "float")
    ]


def _planted(own: Plant, tank: Tank) -> Planted:
    known = plant(own.species)
    filled = _filled(own, known)
    sources = [
        OWN if own.has_own_demand else "",
        known.height_cm.source if known is not None and filled != own else "",
    ]
    return Planted(
        plant=filled,
        listed_as="" if known is None else known.name,
        vernacular=() if known is None else known.vernacular,
        place="" if known is None else known.place,
        source="; ".join(filter(None, sources)),
        note="; ".join(_notes(filled, known, tank)),
    )


def _filled(own: Plant, known: PlantSpecies | None) -> Plant:
    """What the tank says of its plants wins; the rest is that of the species."""
    if known is None:
        return own
    measured = own.height_low_cm is not None or own.height_high_cm is not None
    return replace(
        own,
        light=own.light or known.light,
        co2=own.co2 or known.co2,
        height_low_cm=own.height_low_cm if measured else known.height_cm.low,
        height_high_cm=own.height_high_cm if measured else known.height_cm.high,
    )


def _notes(one: Plant, known: PlantSpecies | None, tank: Tank) -> Iterator[str]:
    if valid := valid_name(one.species):
        yield f"listed as {valid}"
    if known is None:
        near = ", ".join(suggestion(each) for each in plants_meant(one.species))
        yield f"not listed{f'; perhaps {near} is meant' if near else ''}"
    if one.co2 == "needed" and not tank.co2_injected:
        yield "needs injected CO2, and this tank has none"
    column_cm = water_column_cm(tank)
    floats = known is not None and known.place == "float"
    if column_cm is not None and not floats and (one.height_low_cm or 0.0) > column_cm:
        yield (
            f"grows to {one.height_low_cm:g} cm at least, and the water is {column_cm:.0f} cm deep"
        )
