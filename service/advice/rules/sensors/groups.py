"""Sensors that one recommendation speaks of: those that fell silent together, and their names."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from service.advice.engine.rule import Case
from service.advice.phrases import listed
from service.derive.sensors.choice import US_PER_MINUTE
from service.quantities import quantity_words
from service.store.model import SeriesInfo, SeriesKey

NAMES_SHOWN = 5
"""So many sensors are named; the others are counted. Our choice."""


WEIGHT = ("temperature", "ph")
"""Quantities that the animals' safety rests on come first in the name of a group. Our choice."""


def subject_of(info: SeriesInfo) -> str:
    """What tells the finding on a series from others: quantity and sensor."""
    return f"{info.key.quantity} {info.key.sensor}"


def name_of(info: SeriesInfo) -> str:
    """A sensor as people call it: ``pH sensor glass``."""
    return sensor_words(info.key.quantity, info.key.sensor)


def sensor_words(quantity: str, sensor: str) -> str:
    """What a sensor of a quantity is called."""
    return f"{quantity_words(quantity)} sensor {sensor}"


def _short_name(info: SeriesInfo) -> str:
    return f"{quantity_words(info.key.quantity)} {info.key.sensor}"


def group_subject(case: Case, code: str, group: Sequence[SeriesInfo]) -> str:
    """The subject of a group: that of an active member, else of the most important one.

    So a group keeps its recommendation while members join and leave.
    """
    subjects = [subject_of(one) for one in sorted(group, key=_most_important_first)]
    return next((one for one in subjects if case.active(code, one)), subjects[0])


def _most_important_first(info: SeriesInfo) -> tuple[int, SeriesKey]:
    quantity = info.key.quantity
    return WEIGHT.index(quantity) if quantity in WEIGHT else len(WEIGHT), info.key


def together(infos: Iterable[SeriesInfo], gap_min: float) -> list[list[SeriesInfo]]:
    """Groups of series whose newest readings follow each other within a gap, oldest first."""
    groups: list[list[SeriesInfo]] = []
    before_us: int | None = None
    for info in sorted(infos, key=lambda one: (one.last.time_us, one.key)):
        time_us = info.last.time_us
        if before_us is None or time_us - before_us > gap_min * US_PER_MINUTE:
            groups.append([])
        groups[-1].append(info)
        before_us = time_us
    return groups


def names_of(group: Sequence[SeriesInfo]) -> str:
    """The sensors of a group by name, ``pH main, pH spare and 12 more``."""
    names = sorted(map(_short_name, group), key=str.casefold)
    more = len(names) - NAMES_SHOWN
    if more <= 0:
        return listed(names)
    return listed([*names[:NAMES_SHOWN], f"{more} more"])
