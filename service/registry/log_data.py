"""What belongs to each kind of log entry: which keys, which are required, what they may be."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from service.errors import InvalidInputError
from service.registry.calibration import read_calibration
from service.registry.checks import COLDEST_C, MOST_GH_MEQ_L, MOST_MEQ_L, WARMEST_C, check_id
from service.registry.faults import NAME_LENGTH, NOTE_LENGTH, Faults
from service.registry.models import LogKind
from service.times import to_us

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


def _told(faults: Faults, at: str, value: object) -> None:
    """Nothing: the calibration is read as a whole, which tells what is wrong."""


_SHARE = _number(0, 1, above=True)
_TOUCHED = {
    "fraction": Key(_SHARE, "share of the plants or of the soil that was touched, 0 to 1"),
    "part": Key(_name, "which plants or which corner"),
    "height_cm": Key(_number(0, 1000, "cm"), "height that was left, cm"),
}

KEYS: Final[dict[LogKind, dict[str, Key]]] = {
    LogKind.WATER_CHANGE: {
        "fraction": Key(_SHARE, "share of the net volume, above 0 to 1", required=True),
        "temperature_c": Key(_number(COLDEST_C, WARMEST_C, "°C"), "of the new water, °C"),
        "kh_meq_l": Key(_number(0, MOST_MEQ_L, "meq/L"), "of the new water, meq/L"),
    },
    LogKind.DOSE: {
        "name": Key(_name, "what was dosed, as in the tank's plan", required=True),
        "ml": Key(_number(0, 100_000, "mL", above=True), "stock solution, mL"),
        "g": Key(_number(0, 100_000, "g", above=True), "dry salt, g"),
    },
    LogKind.KH_TEST: {
        "kh_meq_l": Key(_number(0, MOST_MEQ_L, "meq/L"), "meq/L", required=True),
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
        "quantity": Key(_told, "what the sensor measures; left out: ph"),
        "sensor": Key(_name, "which sensor; left out: main"),
        "points": Key(_told, "list of buffer and millivolts, or of reading and reference"),
        "offset": Key(_told, "added to what the sensor says; one of points, offset, factor"),
        "factor": Key(_told, "what the sensor says is multiplied by it"),
        "unit": Key(_told, "what the sensor sends, where that is mV, or lx for ppfd"),
        "buffers": Key(_told, "set of buffers: technical or nist"),
        "zero_mv": Key(_told, "of the amplifier, mV"),
        "gain": Key(_told, "of the amplifier"),
        "slope_percent": Key(_told, "of a pH electrode, as its own meter told, %"),
    },
    LogKind.OBSERVATION: {},
}


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
    _check_data(faults, LogKind(kind), time, data)
    if kind == LogKind.OBSERVATION and not note.strip() and not data:
        faults.add("note", note, "what was seen, in the note or the data of an observation")
    faults.refuse()


def _check_calibration(faults: Faults, time: datetime, data: Mapping[str, Any]) -> None:
    """It must be one that the ingester can apply: else it would silently change nothing."""
    deep = Faults()
    deep.free("data", data)
    try:
        deep.refuse()
        time_us = to_us(time) if time.tzinfo is not None else 0  # a wrong time is told already
        read_calibration(data, time_us)
    except InvalidInputError as error:
        faults.include(error)


def _check_data(faults: Faults, kind: LogKind, time: datetime, data: Mapping[str, Any]) -> None:
    keys = KEYS[kind]
    for name, key in keys.items():
        if name in data:
            key.check(faults, f"data.{name}", data[name])
        elif key.required:
            faults.add(f"data.{name}", None, f"{key.text} (required)")
    if kind == LogKind.DOSE and ("ml" in data) == ("g" in data):
        faults.add("data.ml", data.get("ml"), "either this one or g, not both")
    further = {name: value for name, value in data.items() if name not in keys}
    if kind == LogKind.CALIBRATION:
        _check_calibration(faults, time, data)
        return
    if kind == LogKind.OBSERVATION:
        faults.free("data", further)
        return
    for name in further:
        faults.add(f"data.{name}", data[name], f"no such key; those of {kind}: {', '.join(keys)}")
