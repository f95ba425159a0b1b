"""Names of species: which scientific names are listed, and what a name that is not may mean."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from difflib import SequenceMatcher
from functools import lru_cache
from typing import Final, TypeVar

from service.registry.species.table import ANIMALS, PLANTS, PlantSpecies, Species

_One = TypeVar("_One", bound=Species | PlantSpecies)

SLIP: Final = 0.75
"""Likeness from which on a name that is not listed may be a slip for one that is. Our choice."""

ALIKE: Final = 0.6
"""Likeness of a name that is worth offering. Our choice."""

WORDS: Final = 0.9
"""Least likeness of a name that is some whole words of another."""

SUGGESTED: Final = 3

LONGEST: Final = 60
"""A longer name is a slip for none: all that are listed are shorter."""


def folded_name(name: str) -> str:
    """A name without capitals and extra blanks."""
    return " ".join(name.split()).casefold()


def _by_scientific_name(entries: Iterable[_One]) -> Mapping[str, _One]:
    found: dict[str, _One] = {}
    for entry in entries:
        for name in (entry.name, *entry.synonyms):
            found[folded_name(name)] = entry
    return found


_ANIMALS: Final = _by_scientific_name(ANIMALS)
_PLANTS: Final = _by_scientific_name(PLANTS)


def species(name: str) -> Species | None:
    """The animal of a scientific name or one of its synonyms, in any case; None if not listed."""
    return _ANIMALS.get(folded_name(name))


def plant(name: str) -> PlantSpecies | None:
    """The plant of a scientific name or one of its synonyms; None if not listed."""
    return _PLANTS.get(folded_name(name))


def valid_name(name: str) -> str:
    """The listed name of which another scientific name is a synonym; "" for that name itself."""
    known = species(name) or plant(name)
    return "" if known is None or folded_name(known.name) == folded_name(name) else known.name


def nearest(
    name: str, entries: Iterable[_One], *, least: float = ALIKE, most: int = SUGGESTED
) -> tuple[_One, ...]:
    """The species that a name may mean, the likeliest first.

    Vernacular names count as scientific ones do, whole or as some of their words: "white cloud" is
    all of one name and part of others.

    Args:
        least: likeness from 0 to 1 below which a species is left out.
    """
    rated = [(likeness(name, entry), entry) for entry in entries]
    likely = [(rate, entry) for rate, entry in rated if rate >= least]
    likely.sort(key=lambda pair: (-pair[0], pair[1].name))
    return tuple(entry for _, entry in likely[:most])


def likeness(name: str, entry: Species | PlantSpecies) -> float:
    """From 0 to 1: how near a name is to the nearest of a species' names."""
    wanted = folded_name(name)
    scientific = max(_binomial(wanted, folded_name(one)) for one in (entry.name, *entry.synonyms))
    plain = max((_plain(wanted, folded_name(one)) for one in entry.vernacular), default=0.0)
    return max(scientific, plain)


@lru_cache(maxsize=256)
def meant(name: str) -> tuple[Species, ...]:
    """The animals that an unlisted name may be a slip or a vernacular name for; none if unlike."""
    return () if species(name) is not None else _near(name, ANIMALS)


@lru_cache(maxsize=256)
def plants_meant(name: str) -> tuple[PlantSpecies, ...]:
    """The plants that an unlisted name may mean, as ``meant``."""
    return () if plant(name) is not None else _near(name, PLANTS)


def _near(name: str, entries: tuple[_One, ...]) -> tuple[_One, ...]:
    if len(name) > LONGEST:
        return ()
    near = nearest(name, entries)
    return near if near and likeness(name, near[0]) >= SLIP else ()


def suggestion(entry: Species | PlantSpecies) -> str:
    """A species as an error offers it: ``Tanichthys albonubes (white cloud)``."""
    return f"{entry.name} ({entry.vernacular[0]})" if entry.vernacular else entry.name


def allowed_names(near: Sequence[Species | PlantSpecies], otherwise: str) -> str:
    """What an error allows in place of a name that may be a slip.

    Args:
        near: the species that may be meant.
        otherwise: what else is allowed, beginning with "or".
    """
    return f"a scientific name, such as {', '.join(map(suggestion, near))}; {otherwise}"


def _binomial(wanted: str, other: str) -> float:
    """Genus and epithet each for itself: two species of one genus are no slip for each other."""
    if wanted in other.split(" "):
        return _of_words(wanted, other)
    parts, others = wanted.split(" "), other.split(" ")
    if len(parts) != len(others):
        return 0.0
    lowest = 1.0
    for part, one in zip(parts, others, strict=True):
        lowest = min(lowest, _ratio(part, one))
        if lowest < ALIKE:
            return 0.0
    return lowest


def _plain(wanted: str, other: str) -> float:
    """By their letters; alike too where one name is some whole words of the other."""
    if wanted != other:
        inside = f" {wanted} " in f" {other} "
        around = f" {other} " in f" {wanted} " and wanted.split(" ")[0] not in _GENERA
        if inside or around:
            return _of_words(wanted, other)
    return _ratio(wanted, other)


def _of_words(wanted: str, other: str) -> float:
    return WORDS + (1 - WORDS) * _ratio(wanted, other)


def _ratio(one: str, other: str) -> float:
    matcher = SequenceMatcher(None, one, other)
    if min(matcher.real_quick_ratio(), matcher.quick_ratio()) < ALIKE:
        return 0.0
    return matcher.ratio()


_GENERA: Final = {folded_name(name).split(" ")[0] for name in (*_ANIMALS, *_PLANTS)}
