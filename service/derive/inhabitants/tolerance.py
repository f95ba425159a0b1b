"""Limits that all animals of a tank share: temperature range and CO2 ceiling, by newcomers too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.derive.local_time import local_midnight
from service.derive.thresholds import derived_limit
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Stock, Tank
from service.registry.species.ranges import (
    NO_RANGE,
    Co2Ceiling,
    SharedRange,
    co2_ceiling,
    comfortable_range,
    is_unknown,
    outer_range,
    resolved,
    tolerable_range,
)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """The limits that all animals of a tank share; None where nothing sets one.

    Attributes:
        tolerable: temperatures outside of which there are warnings. Where no temperature suits all,
            what at least one of the animals tolerates.
        comfortable: temperatures at which all are kept for good; between them and the tolerable
            ones there are remarks. Open where no temperature suits all.
        co2: ceiling of dissolved CO2, lowered for newcomers, with its species and source.
        air_breathers: species that take air at the surface.
        unknown: species of which nothing is known.
        too_narrow: a sentence, where no temperature, or 1 K at most, suits all.
    """

    tolerable: SharedRange = NO_RANGE
    comfortable: SharedRange = NO_RANGE
    co2: Co2Ceiling | None = None
    air_breathers: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    too_narrow: str = ""

    @property
    def co2_max_mg_l(self) -> float | None:
        """The CO2 ceiling, mg/L."""
        return None if self.co2 is None else self.co2.co2_mg_l

    @property
    def co2_comfortable_mg_l(self) -> float | None:
        """CO2 up to which all animals are comfortable, mg/L."""
        return None if self.co2 is None else self.co2.comfortable_mg_l


NO_TOLERANCE = Tolerance()
"""Of a tank without animals."""


def tolerance_of(tank: Tank, log: Sequence[LogEntry], now: datetime) -> Tolerance:
    """The tolerance of the animals registered with a tank, some of it new by the log."""
    present = [stock for stock in tank.animals if stock.count > 0]
    tolerable, comfortable = tolerable_range(present), comfortable_range(present)
    narrow = ""
    if tolerable.too_narrow:
        narrow = _narrow_words("tolerate", tolerable)
        tolerable, comfortable = outer_range(present), NO_RANGE
    elif comfortable.too_narrow:
        narrow = _narrow_words("are comfortable with", comfortable)
        comfortable = NO_RANGE
    return Tolerance(
        tolerable=tolerable,
        comfortable=comfortable,
        co2=_co2_ceiling(tank, log, now),
        air_breathers=tuple(s.species for s in map(resolved, present) if s.air_breather),
        unknown=tuple(stock.species for stock in present if is_unknown(stock)),
        too_narrow=narrow,
    )


def _narrow_words(verb: str, shared: SharedRange) -> str:
    """Why no temperature, or hardly one, suits all."""
    ends = (
        f"{shared.low_species} from {shared.low_c:g} °C on, "
        f"{shared.high_species} up to {shared.high_c:g} °C"
    )
    none = (shared.width_k or 0) <= 0
    much = "no temperature" if none else "only a very narrow range of temperatures"
    return f"there is {much} that all animals {verb}: {ends}"


def _co2_ceiling(tank: Tank, log: Sequence[LogEntry], now: datetime) -> Co2Ceiling | None:
    """The CO2 that must not be exceeded; None without animals.

    Animals that came in lately get ``newcomer_fraction`` of their ceiling for ``newcomer_h``: a
    group by its date of stocking, the whole tank by a stocking in the log.
    """
    hours = timedelta(hours=derived_limit(tank, "newcomer_h"))
    logged = any(
        entry.kind == LogKind.STOCKING
        and now - hours <= entry.time <= now
        and float(entry.data.get("count", 1)) > 0
        for entry in log
    )

    def is_new(stock: Stock) -> bool:
        if logged or stock.added is None:
            return logged
        # At some time of that day: the hours count from its end.
        return now < local_midnight(tank, stock.added + timedelta(days=1)) + hours

    return co2_ceiling(tank.animals, is_new, derived_limit(tank, "newcomer_fraction"))
