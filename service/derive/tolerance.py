"""Limits that all animals of a tank share: temperature range and CO2 ceiling, by newcomers too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.derive.local_time import local_midnight
from service.derive.thresholds import derived_limit
from service.registry.models import LogEntry, LogKind, Stock, Tank
from service.registry.species.ranges import (
    Co2Ceiling,
    co2_ceiling,
    resolved,
    shared_temperature_range,
)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """The limits that all animals of a tank share; None where nothing sets one.

    Attributes:
        low_c, high_c: temperature, with the species that sets each.
        co2: ceiling of dissolved CO2, lowered for newcomers, with its species and source.
        air_breathers: species that take air at the surface.
        contradiction: a sentence, where no temperature suits all; then no range is given.
    """

    low_c: float | None = None
    low_species: str = ""
    high_c: float | None = None
    high_species: str = ""
    co2: Co2Ceiling | None = None
    air_breathers: tuple[str, ...] = ()
    contradiction: str = ""

    @property
    def co2_max_mg_l(self) -> float | None:
        """The CO2 ceiling, mg/L."""
        return None if self.co2 is None else self.co2.co2_mg_l


NO_TOLERANCE = Tolerance()
"""Of a tank without animals."""


def tolerance_of(tank: Tank, log: Sequence[LogEntry], now: datetime) -> Tolerance:
    """The tolerance of the livestock registered with a tank, some of it new by the log."""
    shared = shared_temperature_range(tank.livestock)
    ceiling = _co2_ceiling(tank, log, now)
    breathers = tuple(
        stock.species
        for stock in map(resolved, tank.livestock)
        if stock.air_breather and stock.count > 0
    )
    if shared.contradicts:
        why = (
            f"no temperature suits all: {shared.low_species} needs {shared.low_c:g} °C or more, "
            f"{shared.high_species} {shared.high_c:g} °C or less"
        )
        return Tolerance(co2=ceiling, air_breathers=breathers, contradiction=why)
    return Tolerance(
        low_c=shared.low_c,
        low_species=shared.low_species,
        high_c=shared.high_c,
        high_species=shared.high_species,
        co2=ceiling,
        air_breathers=breathers,
    )


def _co2_ceiling(tank: Tank, log: Sequence[LogEntry], now: datetime) -> Co2Ceiling | None:
    """The CO2 that must not be exceeded; None without animals.

    Animals that came in lately get ``newcomer_share`` of their ceiling for ``newcomer_h``: a
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

    return co2_ceiling(tank.livestock, is_new, derived_limit(tank, "newcomer_share"))
