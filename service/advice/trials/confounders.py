"""What else changed in a tank while something was tried, by its log."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from service.registry.log.entry_text import entry_text
from service.registry.models.log import LogEntry, LogKind, oldest_first
from service.registry.models.tank import Tank
from service.registry.models.trials import Trial

ALWAYS: Final = frozenset(
    {
        LogKind.REPLANT,
        LogKind.STOCKING,
        LogKind.ADJUSTMENT,
        LogKind.SALT,
        LogKind.MEDICATION,
        LogKind.BUFFER,
        LogKind.CYLINDER,
    }
)
UNLESS_ROUTINE: Final = frozenset({LogKind.TRIM, LogKind.FILTER_CLEAN, LogKind.DOSE})
"""Those count where they were done on one side of the change alone."""

KH_MOVED: Final = 0.05
"""A test that moves the KH in force by more than this share moves what rests on it. Our choice."""

CHANGE_ODD: Final = 0.1
"""A water change that is off its plan by more than this share of the water. Our choice."""


@dataclass(frozen=True, slots=True)
class Confounder:
    """One thing that changed besides: when, UTC, and what, in words."""

    time: datetime
    text: str


def confounders(
    trial: Trial,
    tank: Tank,
    log: Sequence[LogEntry],
    start: datetime,
    end: datetime,
    rests_on: frozenset[str],
) -> tuple[Confounder, ...]:
    """What else changed between two moments, oldest first.

    Args:
        log: newest first, reaching back beyond ``start``.
        rests_on: kinds of entries that change how the watched values are measured.
    """
    own = set(trial.entries)
    entries = oldest_first(one for one in log if one.time <= end)
    inside = [one for one in entries if one.time >= start and one.id not in own]
    found = [
        one
        for one in inside
        if one.kind in ALWAYS
        or (one.kind is LogKind.CALIBRATION and one.kind in rests_on)
        or (one.kind in UNLESS_ROUTINE and not _routine(one, inside, trial.begun))
        or (one.kind is LogKind.WATER_CHANGE and _odd_change(one, tank))
    ]
    if LogKind.KH_TEST in rests_on:
        found += [one for one in _kh_moved(entries) if one in inside]
    found = [one for one in found if not _is_the_change(one, trial)]
    found.sort(key=lambda one: one.time)
    return tuple(Confounder(one.time, entry_text(one)) for one in found)


def _routine(entry: LogEntry, entries: Sequence[LogEntry], changed: datetime) -> bool:
    """Whether the same was done on the other side of the change as well."""
    same = [one for one in entries if one.kind is entry.kind and _what(one) == _what(entry)]
    return any((one.time < changed) != (entry.time < changed) for one in same)


def _what(entry: LogEntry) -> object:
    return entry.data.get("name") if entry.kind is LogKind.DOSE else entry.data.get("part")


def _odd_change(entry: LogEntry, tank: Tank) -> bool:
    planned = tank.water_change.fraction
    return abs(float(entry.data.get("fraction", planned)) - planned) > CHANGE_ODD


def _kh_moved(entries: Sequence[LogEntry]) -> Iterator[LogEntry]:
    before: float | None = None
    for one in entries:
        if one.kind is not LogKind.KH_TEST:
            continue
        value = float(one.data["kh_meq_l"])
        if before is not None and abs(value - before) > KH_MOVED * before:
            yield one
        before = value


def _is_the_change(entry: LogEntry, trial: Trial) -> bool:
    """An adjustment of the lever that is tried, of the same hour: the change, logged again."""
    if entry.kind is not LogKind.ADJUSTMENT:
        return False
    same = any(one.split(":")[0] == entry.data.get("lever") for one in trial.levers)
    return same and abs((entry.time - trial.begun).total_seconds()) <= 3600
