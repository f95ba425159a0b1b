"""The tables of species beside this module: animals.csv, plants.csv, and sources.csv they cite.

Every row is checked when it is read, so that a wrong line names itself at the start and not in the
advice of some tank. Temperatures are °C, hardness is dGH, CO2 is mg/L really dissolved (the
carbonate balance, not the rule of thumb), heights are cm.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from math import isfinite
from types import MappingProxyType
from typing import Final, Literal, TypeVar, get_args

Group = Literal["fish", "shrimp", "snail"]
Light = Literal["low", "medium", "high"]
Co2Demand = Literal["none", "helpful", "needed"]
Place = Literal["front", "middle", "back", "wood", "float"]

PRACTICE: Final = "practice"
"""Key of the source that is none: what the trade does."""

_Word = TypeVar("_Word", bound=str)


@dataclass(frozen=True, slots=True)
class Limits:
    """A range and where it comes from."""

    low: float
    high: float
    source: str


@dataclass(frozen=True, slots=True)
class Species:
    """One species of animals.

    Attributes:
        name: scientific name.
        group: ``fish``, ``shrimp`` or ``snail``.
        comfortable_c: temperature that it is kept at for good, °C.
        tolerable_c: temperature that a healthy animal bears for weeks, °C; contains the former.
        gh_dgh: general hardness that it is kept at, dGH.
        co2_comfortable_mg_l, co2_tolerable_mg_l: dissolved CO2 up to which it is kept for good,
            and that must not be exceeded.
        co2_source: where these come from.
        air_breather: takes air at the surface besides breathing water.
        synonyms: other scientific names still met.
        vernacular: names in plain English.
    """

    name: str
    group: Group
    comfortable_c: Limits
    tolerable_c: Limits
    gh_dgh: Limits
    co2_comfortable_mg_l: float
    co2_tolerable_mg_l: float
    co2_source: str
    air_breather: bool
    synonyms: tuple[str, ...] = ()
    vernacular: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PlantSpecies:
    """One species of plants.

    Attributes:
        light: demand.
        co2: whether injected CO2 is needed, helpful or not missed.
        height_cm: of a well grown plant under water.
        place: in the layout; ``wood`` is tied to wood or rock, ``float`` floats.
    """

    name: str
    light: Light
    co2: Co2Demand
    height_cm: Limits
    place: Place
    synonyms: tuple[str, ...] = ()
    vernacular: tuple[str, ...] = ()


class WrongRowError(ValueError):
    """A row of a table that can't be right; a fault of the program's own data."""


def read_sources(lines: Iterable[str]) -> Mapping[str, str]:
    """Sources by key, from the lines of a CSV table."""
    found: dict[str, str] = {}
    for row in csv.DictReader(lines):
        if not row["key"] or not row["text"] or row["key"] in found:
            raise WrongRowError(f"source {row['key']!r}: empty, or there twice")
        found[row["key"]] = row["text"]
    return MappingProxyType(found)


def read_animals(lines: Iterable[str], sources: Mapping[str, str]) -> tuple[Species, ...]:
    """Animals from the lines of a CSV table.

    Raises:
        WrongRowError: names the species, the column, the value and what is allowed.
    """
    return tuple(_animal(_Row(row, sources)) for row in csv.DictReader(lines))


def read_plants(lines: Iterable[str], sources: Mapping[str, str]) -> tuple[PlantSpecies, ...]:
    """Plants from the lines of a CSV table; errors as ``read_animals``."""
    return tuple(_plant(_Row(row, sources)) for row in csv.DictReader(lines))


def check_names(tables: Iterable[Iterable[Species | PlantSpecies]]) -> None:
    """Refuse a name that stands for two species.

    Raises:
        WrongRowError: names the name and both species.
    """
    owners: dict[str, str] = {}
    for entry in (one for table in tables for one in table):
        for name in (entry.name, *entry.synonyms, *entry.vernacular):
            owner = owners.setdefault(name.casefold(), entry.name)
            if owner != entry.name:
                raise WrongRowError(f"{name!r} stands for {owner} and for {entry.name}")


class _Row:
    """One row, read cell by cell."""

    def __init__(self, cells: Mapping[str, str | None], sources: Mapping[str, str]) -> None:
        self._cells, self._sources = cells, sources
        if None in cells or None in cells.values():
            raise WrongRowError(f"{cells.get('name')}: has too many cells or too few")
        self.name = self.text("name")
        words = self.name.split(" ")
        if len(words) not in (2, 3) or not words[0].istitle() or not "".join(words[1:]).islower():
            raise self.wrong("name", "a scientific name of genus and species")

    @property
    def practice(self) -> str:
        return self._sources[PRACTICE]

    def text(self, column: str) -> str:
        return self._cells[column] or ""

    def wrong(self, column: str, allowed: str) -> WrongRowError:
        return WrongRowError(
            f"{self._cells['name']}: {column} is {self._cells[column]!r}; allowed: {allowed}"
        )

    def names(self, column: str) -> tuple[str, ...]:
        return tuple(filter(None, (one.strip() for one in self.text(column).split(";"))))

    def word(self, column: str, words: tuple[_Word, ...]) -> _Word:
        for word in words:
            if self.text(column) == word:
                return word
        raise self.wrong(column, ", ".join(words))

    def number(self, column: str, low: float, high: float) -> float:
        try:
            value = float(self.text(column))
        except ValueError:
            value = float("nan")
        if not isfinite(value) or not low <= value <= high:
            raise self.wrong(column, f"a number from {low:g} to {high:g}")
        return value

    def source(self, column: str) -> str:
        keys = self.names(column)
        if not keys or any(key not in self._sources for key in keys):
            raise self.wrong(column, f"some of {', '.join(self._sources)}")
        return "; ".join(self._sources[key] for key in keys)

    def limits(self, stem: str, unit: str, low: float, high: float, source: str) -> Limits:
        least = self.number(f"{stem}_low_{unit}", low, high)
        most = self.number(f"{stem}_high_{unit}", low, high)
        if least >= most:
            raise self.wrong(f"{stem}_high_{unit}", f"more than {least:g}")
        return Limits(least, most, source)


def _animal(row: _Row) -> Species:
    comfortable = row.limits("comfortable", "c", 2, 36, row.source("comfortable_source"))
    tolerable = row.limits("tolerable", "c", 2, 36, row.source("tolerable_source"))
    if not tolerable.low <= comfortable.low < comfortable.high <= tolerable.high:
        raise row.wrong("tolerable_low_c", "a tolerable range that contains the comfortable one")
    most = row.number("co2_tolerable_mg_l", 10, 60)
    return Species(
        name=row.name,
        group=row.word("group", get_args(Group)),
        comfortable_c=comfortable,
        tolerable_c=tolerable,
        gh_dgh=row.limits("gh", "dgh", 0, 40, row.practice),
        co2_comfortable_mg_l=row.number("co2_comfortable_mg_l", 5, most),
        co2_tolerable_mg_l=most,
        co2_source=row.source("co2_source"),
        air_breather=row.word("air_breather", ("yes", "no")) == "yes",
        synonyms=row.names("synonyms"),
        vernacular=row.names("vernacular"),
    )


def _plant(row: _Row) -> PlantSpecies:
    return PlantSpecies(
        name=row.name,
        light=row.word("light", get_args(Light)),
        co2=row.word("co2", get_args(Co2Demand)),
        height_cm=row.limits("height", "cm", 0.5, 200, row.source("source")),
        place=row.word("place", get_args(Place)),
        synonyms=row.names("synonyms"),
        vernacular=row.names("vernacular"),
    )


def _lines(name: str) -> Iterator[str]:
    yield from files(__package__).joinpath(name).read_text("utf-8").splitlines()


SOURCES: Final = read_sources(_lines("sources.csv"))
ANIMALS: Final = read_animals(_lines("animals.csv"), SOURCES)
PLANTS: Final = read_plants(_lines("plants.csv"), SOURCES)
check_names((ANIMALS, PLANTS))
