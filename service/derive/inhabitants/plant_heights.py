"""Heights of a tank's plants out of its log: the last one, growth, and the way to the surface."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from service.derive.models.quality import EstimatedValue
from service.registry.models.log import LogEntry, LogKind, oldest_first
from service.registry.models.tank import Plant, Tank
from service.registry.species.names import folded_name
from service.registry.volume import water_column_cm
from service.science.plants.growth import growth_cm_per_week

MEASURED: Final = (LogKind.OBSERVATION, LogKind.TRIM, LogKind.REPLANT)
CUTS: Final = (LogKind.TRIM, LogKind.REPLANT)
S_PER_DAY: Final = 86_400.0
S_PER_WEEK: Final = 7 * S_PER_DAY


@dataclass(frozen=True, slots=True)
class Weeks:
    """A length of time ahead, weeks; the latest is None where it may be never."""

    value: float
    earliest: float
    latest: float | None


@dataclass(frozen=True, slots=True)
class PlantHeight:
    """What is known of the height of one species.

    Attributes:
        last_cm: as logged last, at ``time``.
        now_cm: estimated, by the growth since.
        growth: cm per week; None where fewer than two heights lie between two cuts.
        to_surface: when it reaches the surface at this growth; None where that is not known, or it
            does not grow.
    """

    last_cm: float
    time: datetime
    now_cm: float
    growth: EstimatedValue | None
    to_surface: Weeks | None


def height_of(
    plant: Plant, tank: Tank, log: Sequence[LogEntry], now: datetime
) -> PlantHeight | None:
    """The height of one species; None where it was never logged.

    Args:
        log: newest first.
    """
    entries = oldest_first(one for one in log if one.time <= now and _is_of(one, plant))
    if not entries:
        return None
    last = entries[-1]
    last_cm = float(last.data["height_cm"])
    growth = _growth(entries)
    weeks = (now - last.time).total_seconds() / S_PER_WEEK
    now_cm = last_cm if growth is None else last_cm + max(growth.value, 0.0) * weeks
    column_cm = water_column_cm(tank)
    to_surface = None
    if growth is not None and column_cm is not None:
        to_surface = _to_surface(column_cm - last_cm, growth, weeks)
    return PlantHeight(last_cm, last.time, now_cm, growth, to_surface)


def _is_of(entry: LogEntry, plant: Plant) -> bool:
    named = folded_name(str(entry.data.get("plant", ""))) == folded_name(plant.species)
    return entry.kind in MEASURED and named and "height_cm" in entry.data


def _growth(entries: Iterable[LogEntry]) -> EstimatedValue | None:
    """Growth between cuts: a cut begins a new stretch with what it left."""
    stretches: list[list[tuple[float, float]]] = []
    for one in entries:
        if not stretches or one.kind in CUTS:
            stretches.append([])
        days = one.time.timestamp() / S_PER_DAY
        stretches[-1].append((days, float(one.data["height_cm"])))
    found = growth_cm_per_week(
        [(np.array([d for d, _ in each]), np.array([h for _, h in each])) for each in stretches]
    )
    if found is None:
        return None
    return EstimatedValue(float(found.value), float(found.low), float(found.high))


def _to_surface(left_cm: float, growth: EstimatedValue, since_weeks: float) -> Weeks | None:
    """Weeks from now until a plant that had so far to go has gone it; none below 0."""
    if growth.value <= 0:
        return None
    value, earliest = (
        max(left_cm / rate - since_weeks, 0.0) for rate in (growth.value, growth.high)
    )
    latest = max(left_cm / growth.low - since_weeks, 0.0) if growth.low > 0 else None
    return Weeks(value, earliest, latest)
