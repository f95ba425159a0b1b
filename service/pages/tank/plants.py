"""The plants of a tank as its page lists them, with their demand and height."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from service.derive.inhabitants.plant_heights import PlantHeight, height_of
from service.derive.inhabitants.plants import Planted, plants_of
from service.derive.local_time import local_day
from service.local_words import date_words
from service.registry.models.log import LogEntry
from service.registry.models.tank import Tank


@dataclass(frozen=True, slots=True)
class PlantLine:
    """Plants of one species.

    Attributes:
        name: scientific, and a plain one where there is one.
        demand: light, CO2, height and place; "" where nothing is known.
        note: what to know of it in this tank; may be "".
        source: of the demand, as the title of the line.
        height: as logged, with its growth; may be "".
    """

    name: str
    demand: str
    note: str
    source: str
    height: str = ""


def plant_lines(
    tank: Tank, log: Sequence[LogEntry] = (), now: datetime | None = None
) -> tuple[PlantLine, ...]:
    """The plants; those that need attention first.

    Args:
        log: newest first; heights in it are followed.
        now: None: no heights.
    """
    lines = [_line(one, tank, log, now) for one in plants_of(tank)]
    return tuple(sorted(lines, key=lambda one: not one.note))


def _line(one: Planted, tank: Tank, log: Sequence[LogEntry], now: datetime | None) -> PlantLine:
    plain = f" ({one.vernacular[0]})" if one.vernacular else ""
    height = None if now is None else height_of(one.plant, tank, log, now)
    return PlantLine(
        f"{one.plant.species}{plain}",
        ", ".join(_demand(one)),
        one.note,
        one.source,
        "" if height is None or now is None else height_words(height, tank, now),
    )


def height_words(height: PlantHeight, tank: Tank, now: datetime) -> str:
    """``23 cm on 4 Jun, grows 3.1 cm a week (2.2 to 4.0); at the surface in about 5 weeks``."""
    day = date_words(local_day(tank, height.time), local_day(tank, now))
    text = f"{height.last_cm:.0f} cm on {day}"
    if height.growth is None:
        return text
    growth, weeks = height.growth, height.to_surface
    text += f", grows {growth.value:.1f} cm a week ({growth.low:.1f} to {growth.high:.1f})"
    if weeks is None:
        return text
    if weeks.value == 0:
        return f"{text}; at the surface by now"
    span = (
        f"{weeks.earliest:.0f} or more"
        if weeks.latest is None
        else (f"{weeks.earliest:.0f} to {weeks.latest:.0f}")
    )
    whole = max(round(weeks.value), 1)
    unit = "week" if whole == 1 else "weeks"
    return f"{text}; at the surface in about {whole} {unit} ({span})"


def _demand(one: Planted) -> Iterator[str]:
    plant = one.plant
    if plant.light:
        yield f"light {plant.light}"
    if plant.co2:
        yield _CO2[plant.co2]
    if plant.height_low_cm is not None and plant.height_high_cm is not None:
        yield f"{plant.height_low_cm:g} to {plant.height_high_cm:g} cm"
    if plant.position:
        yield " ".join(filter(None, (plant.position, plant.side)))
    elif one.place:
        yield _PLACES[one.place]
    if plant.wished_height_cm is not None:
        yield f"wished up to {plant.wished_height_cm:g} cm"
    if plant.at_surface is not None:
        yield _AT_SURFACE[plant.at_surface]


_CO2: Final = {
    "none": "no CO2 needed",
    "helpful": "grows better with CO2",
    "needed": "needs CO2",
}
_AT_SURFACE: Final = {"trim": "trimmed at the surface", "grow-out": "may grow out"}
_PLACES: Final = {
    "front": "foreground",
    "middle": "middle",
    "back": "background",
    "wood": "on wood or rock",
    "float": "floats",
}
