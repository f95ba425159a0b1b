"""Observations on a scale out of a tank's log: each one, the newest of each kind, day by day."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from statistics import fmean
from zoneinfo import ZoneInfo

from service.registry.log.observations import ObservationKind, Observed, observed
from service.registry.models.log import LogEntry, LogKind


@dataclass(frozen=True, slots=True)
class Observation:
    """A log entry that says something on a scale.

    Attributes:
        seen: what, and which step.
    """

    entry: LogEntry
    seen: Observed

    @property
    def time(self) -> datetime:
        """When it was seen, UTC."""
        return self.entry.time

    @property
    def level(self) -> int:
        """The step, 0 to 5."""
        return self.seen.level

    @property
    def kind(self) -> ObservationKind:
        """What was seen."""
        return self.seen.kind


def observations_of(log: Iterable[LogEntry]) -> Iterator[Observation]:
    """The observations on a scale among log entries, in their order."""
    for entry in log:
        if entry.kind is LogKind.OBSERVATION and (seen := observed(entry.data)) is not None:
            yield Observation(entry, seen)


def newest_observations(log: Iterable[LogEntry], now: datetime) -> Mapping[str, Observation]:
    """The newest observation of each kind up to a moment, by code; the log is newest first."""
    found: dict[str, Observation] = {}
    for one in observations_of(log):
        if one.time <= now:
            found.setdefault(one.kind.code, one)
    return found


def daily_levels(log: Iterable[LogEntry], code: str, zone: str) -> dict[date, float]:
    """The level of one kind on each local day on which it was observed, oldest first.

    Several on one day count as their mean; a day without an observation is not there.

    Args:
        code: of the kind.
        zone: IANA name of the tank's time zone.
    """
    local = ZoneInfo(zone)
    by_day: defaultdict[date, list[int]] = defaultdict(list)
    for one in observations_of(log):
        if one.kind.code == code:
            by_day[one.time.astimezone(local).date()].append(one.level)
    return {day: fmean(levels) for day, levels in sorted(by_day.items())}
