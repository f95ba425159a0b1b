"""What belongs to each kind of log entry: which keys, which are required, what they may be."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from service.tanks.checks import COLDEST_C, MOST_GH_MEQ_L, MOST_MEQ_L, WARMEST_C, check_id
from service.tanks.faults import NAME_LENGTH, NOTE_LENGTH, Faults
from service.tanks.values import LogKind
from service.units import QUANTITIES

_Check = Callable[[Faults, str, object], object]


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a log entry's data.

    Attributes:
        check: notes a fault unless the value is allowed.
        text: what it says, one line, with its unit.
        required: an entry of this kind is nothing without it.
    """

    check: _Check
    text: str
    required: bool = False


def _number(low: float, high: float, unit: str = "", *, above: bool = False) -> _Check:
    return lambda faults, at, value: faults.number(at, value, low, high, unit, above=above)


def _name(faults: Faults, at: str, value: object) -> None:
    faults.text(at, value, NAME_LENGTH, empty=False)


def _count(faults: Faults, at: str, value: object) -> None:
    if value == 0 and not isinstance(value, bool):
        faults.add(at, value, "a whole number other than 0; below 0 for animals taken out")
    else:
        faults.whole(at, value, -100_000, 100_000)


def _quantity(faults: Faults, at: str, value: object) -> None:
    faults.one_of(at, value, QUANTITIES)


_SHARE = _number(0, 1, above=True)
_TOUCHED = {
    "share": Key(_SHARE, "share of the plants or of the soil that was touched, 0 to 1"),
    "part": Key(_name, "which plants or which corner"),
    "height_cm": Key(_number(0, 1000, "cm"), "height that was left, cm"),
}

KEYS: Final[dict[LogKind, dict[str, Key]]] = {
    LogKind.WATER_CHANGE: {
        "fraction": Key(_SHARE, "share of the net volume, above 0 to 1", required=True),
        "temperature_c": Key(_number(COLDEST_C, WARMEST_C, "°C"), "of the new water, °C"),
        "alkalinity_meq_l": Key(_number(0, MOST_MEQ_L, "meq/L"), "of the new water, meq/L"),
    },
    LogKind.DOSE: {
        "name": Key(_name, "what was dosed, as in the tank's plan", required=True),
        "ml": Key(_number(0, 100_000, "mL", above=True), "stock solution, mL"),
        "g": Key(_number(0, 100_000, "g", above=True), "dry salt, g"),
    },
    LogKind.KH_TEST: {
        "alkalinity_meq_l": Key(_number(0, MOST_MEQ_L, "meq/L"), "meq/L", required=True),
    },
    LogKind.GH_TEST: {
        "gh_meq_l": Key(_number(0, MOST_GH_MEQ_L, "meq/L"), "meq/L", required=True),
    },
    LogKind.TRIM: _TOUCHED,
    LogKind.REPLANT: _TOUCHED,
    LogKind.FILTER_CLEAN: {"part": Key(_name, "which filter, or which part of it")},
    LogKind.STOCKING: {
        "species": Key(_name, "scientific name", required=True),
        "count": Key(_count, "how many came in; below 0: how many left", required=True),
    },
    LogKind.CALIBRATION: {
        "quantity": Key(_quantity, "what the sensor measures"),
        "sensor": Key(_name, "which sensor"),
    },
    LogKind.OBSERVATION: {},
}

#: Kinds that take further keys: a calibration carries what its probe's model needs, an
#: observation whatever somebody counted.
OPEN_KINDS: Final = frozenset({LogKind.CALIBRATION, LogKind.OBSERVATION})


def check_log(
    kind: LogKind,
    time: datetime,
    data: Mapping[str, Any],
    note: str = "",
    by: str = "",
    recorded: datetime | None = None,
    id: str | None = None,
) -> None:
    """Refuse a log entry with a field that is not allowed.

    Raises:
        InvalidInputError: names every wrong field, its value and what is allowed.
    """
    faults = Faults()
    if kind not in set(LogKind):
        faults.add("kind", kind, ", ".join(LogKind))
        faults.refuse()
    if id is not None:
        check_id(faults, "id", id)
    faults.moment("time", time)
    if recorded is not None:
        faults.moment("recorded", recorded)
    faults.lines("note", note, NOTE_LENGTH)
    faults.text("by", by, NAME_LENGTH)
    _check_data(faults, LogKind(kind), data)
    if kind == LogKind.OBSERVATION and not note.strip() and not data:
        faults.add("note", note, "what was seen, in the note or the data of an observation")
    faults.refuse()


def _check_data(faults: Faults, kind: LogKind, data: Mapping[str, Any]) -> None:
    keys = KEYS[kind]
    for name, key in keys.items():
        if name in data:
            key.check(faults, f"data.{name}", data[name])
        elif key.required:
            faults.add(f"data.{name}", None, f"{key.text} (required)")
    if kind == LogKind.DOSE and ("ml" in data) == ("g" in data):
        faults.add("data.ml", data.get("ml"), "either this one or g, not both")
    further = {name: value for name, value in data.items() if name not in keys}
    if kind in OPEN_KINDS:
        faults.free("data", further)
        return
    for name in further:
        faults.add(f"data.{name}", data[name], f"no such key; those of {kind}: {', '.join(keys)}")
