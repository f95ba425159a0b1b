"""Temperature at one moment, and when it will cross a limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from service.derive.models.quality import Quality
from service.registry.species.ranges import SharedRange
from service.store.model import Reading


@dataclass(frozen=True, slots=True)
class Forecast:
    """When temperature will cross a limit if things stay as they are.

    Attributes:
        side: ``above`` or ``below`` the limit.
        at_s, earliest_s, latest_s: unix seconds, median and central 95 %; ``math.inf`` for "not
            within half a day".
        probability: of crossing within half a day.
    """

    side: Literal["above", "below"]
    limit_c: float
    at_s: float
    earliest_s: float
    latest_s: float
    probability: float


@dataclass(frozen=True, slots=True)
class TemperatureNow:
    """Temperature at one moment and against what the animals share.

    Attributes:
        tolerable, comfortable: as of the tank's ``Tolerance``.
    """

    reading: Reading | None
    rate_k_h: float | None
    tolerable: SharedRange
    comfortable: SharedRange
    quality: Quality
    reasons: tuple[str, ...] = ()
    forecast: Forecast | None = None
