"""The log: what people did to a tank or saw, and what an adjustment moves."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

from service.registry.models.nothing import NOTHING


class Lever(StrEnum):
    """What advice may move in a tank, and a person may adjust."""

    GAS_FLOW = "gas-flow"
    GAS_TIMES = "gas-times"
    LIGHT_HOURS = "light-hours"
    LIGHT_STRENGTH = "light-strength"
    WATER = "water"
    HEAT = "heat"
    DOSE = "dose"
    FEEDING = "feeding"


class LogKind(StrEnum):
    """What a person can log; the value is the word in JSON and on the command line."""

    WATER_CHANGE = "water-change"
    DOSE = "dose"
    KH_TEST = "kh-test"
    GH_TEST = "gh-test"
    NUTRIENT_TEST = "nutrient-test"
    TRIM = "trim"
    REPLANT = "replant"
    FILTER_CLEAN = "filter-clean"
    STOCKING = "stocking"
    CALIBRATION = "calibration"
    ADJUSTMENT = "adjustment"
    SALT = "salt"
    MEDICATION = "medication"
    BUFFER = "buffer"
    CYLINDER = "cylinder"
    PROBE_OUT = "probe-out"
    PROBE_BACK = "probe-back"
    OBSERVATION = "observation"


@dataclass(frozen=True, slots=True)
class LogEntry:
    """What a person did or saw.

    Attributes:
        id: given by the registry.
        time: when it was done, UTC.
        data: what belongs to the kind, canonical units: ``fraction`` (water change);
            ``name, ml | g`` (dose); ``kh_meq_l`` (KH test); ``gh_meq_l`` (GH test);
            ``no3_mg_l, po4_mg_l, k_mg_l, fe_mg_l``, at least one of them (nutrient test);
            ``fraction, plant, height_cm`` (trim, replant: share touched, height left);
            ``part`` (filter clean);
            ``species, count`` (stocking); ``sensor, quantity, …`` (calibration);
            ``lever, before, after`` (adjustment: of a valve, a timer or a plan).
            ``name, g`` (salt); ``name, ml | g`` (medication); ``salt, g`` (buffer: a salt that
            raises KH); ``g`` (cylinder: CO2 in the new one); ``quantity, sensor, minutes`` (probe
            out of the tank); ``quantity, sensor`` (probe back in it); ``kind, level``,
            ``plant, height_cm`` and free facts (observation).
        by: who did it.
        recorded: when it was written down, UTC.
    """

    id: str
    tank: str
    kind: LogKind
    time: datetime
    data: Mapping[str, Any] = field(default_factory=lambda: NOTHING)
    note: str = ""
    by: str = ""
    recorded: datetime | None = None


def oldest_first(log: Iterable[LogEntry]) -> list[LogEntry]:
    """Entries that came newest first, oldest first: the way back of what is of one moment too."""
    newest_first = sorted(log, key=lambda one: one.time, reverse=True)  # keeps equal ones in order
    return newest_first[::-1]
