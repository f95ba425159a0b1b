"""One calibration of one sensor, read from the data of a log entry.

Forms (docs/ingest.md): buffers in mV for a pH electrode; points of reading and reference; an
offset; a factor. Which raw scale it is for: ``millivolts`` in the points or ``unit``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from service.errors import InvalidInputError
from service.science import probes
from service.science.probes_ph import CALIBRATION_DUE_DAYS
from service.units import QUANTITIES

#: An electrode is compensated for this temperature when none is measured and none was noted, °C.
DEFAULT_TEMPERATURE_C: Final = 25.0
_ELECTRODE_C: Final = (0.0, 60.0)
_KEYS: Final = frozenset(
    {"quantity", "sensor", "points", "buffers", "offset", "factor", "unit", "zero_mv", "gain"}
)
#: A single pair shifts these, and scales the others: an error of a thermometer or of a pH meter
#: is mostly an offset, one of a light or conductivity sensor mostly a factor. Common practice.
_SHIFTED: Final = frozenset({"temperature", "ph"})

#: From (value, water temperature in °C) to the quantity.
Curve = Callable[[float, float | None], float]


@dataclass(frozen=True, slots=True)
class Calibration:
    """How a sensor's numbers become its quantity, from a moment on.

    Attributes:
        time_us: when it was done.
        raw: the scale it is for: ``mV``, ``lx``, or None for numbers in the canonical unit.
        curve: the conversion.
        due_us: after this it is too old; None: it does not age.
    """

    time_us: int
    raw: str | None
    curve: Curve
    due_us: int | None = None


def read_calibration(data: Mapping[str, Any], time_us: int) -> tuple[str, str, Calibration]:
    """Read the data of a log entry.

    Args:
        data: ``quantity`` (default ``ph``), ``sensor`` (default ``main``) and one of the forms.
        time_us: when it was done.

    Returns:
        Quantity, sensor, and the calibration.

    Raises:
        InvalidInputError: names the field, its value and what is allowed.
    """
    quantity, sensor = data.get("quantity", "ph"), data.get("sensor", "main")
    if quantity not in QUANTITIES:
        raise InvalidInputError.of_field("data.quantity", quantity, ", ".join(QUANTITIES))
    unknown = sorted(set(data) - _KEYS)
    if unknown:
        raise InvalidInputError.of_field(
            f"data.{unknown[0]}", data[unknown[0]], f"the keys {', '.join(sorted(_KEYS))}"
        )
    forms = [form for form in ("points", "offset", "factor") if form in data]
    if len(forms) != 1:
        raise InvalidInputError.of_field(
            "data", ", ".join(forms) or "none of them", "one of points, offset and factor"
        )
    unit = data.get("unit")
    if unit not in (None, "mV", "lx") or (unit == "lx" and quantity != "ppfd"):
        raise InvalidInputError.of_field("data.unit", unit, "mV, or lx for ppfd, or none")
    if forms == ["points"] and quantity == "ph" and _has(data["points"], "millivolts"):
        unit, curve = "mV", _electrode(data, time_us)
    else:
        curve = _line(quantity, data, unit)
    due_us = None
    if quantity == "ph":
        due_us = time_us + int(CALIBRATION_DUE_DAYS * 86_400e6)
    return quantity, str(sensor), Calibration(time_us, unit, curve, due_us)


def ideal(quantity: str, raw: str) -> Curve | None:
    """What a raw number means of a sensor nobody has calibrated; None: nothing."""
    if (quantity, raw) == ("ph", "mV"):
        return _electrode_curve(probes.Calibration(0.0, 1.0), DEFAULT_TEMPERATURE_C, 0.0, 1.0)
    if (quantity, raw) == ("ppfd", "lx"):
        from service.science.light import UMOL_PER_LUX

        return _straight(UMOL_PER_LUX["white LED"], 0.0)
    return None


def _electrode(data: Mapping[str, Any], time_us: int) -> Curve:
    """The curve of a pH electrode from its buffers."""
    zero_mv = _number(data, "zero_mv", "data", default=0.0)
    gain = _number(data, "gain", "data", default=1.0)
    if gain == 0:
        raise InvalidInputError.of_field("data.gain", gain, "a number other than 0")
    buffers = data.get("buffers", "technical")
    points, celsius = [], []
    for index, point in enumerate(data["points"]):
        where = f"data.points.{index}"
        temperature_c = _number(point, "temperature_c", where, default=DEFAULT_TEMPERATURE_C)
        millivolts = (_number(point, "millivolts", where) - zero_mv) / gain
        try:
            if "ph" in point:
                ph = _number(point, "ph", where)
                buffer = probes.Buffer(_ELECTRODE_C, (ph, ph))
            else:
                buffer = probes.buffer(str(buffers), str(point.get("buffer")))
            buffer.ph_at(temperature_c)
        except ValueError as error:
            raise InvalidInputError.of_field(where, point, str(error)) from error
        points.append(probes.CalibrationPoint(buffer, millivolts, temperature_c))
        celsius.append(temperature_c)
    try:
        fitted = probes.calibrate(points, calibrated_s=time_us / 1e6)
    except ValueError as error:
        raise InvalidInputError.of_field("data.points", data["points"], str(error)) from error
    return _electrode_curve(fitted, sum(celsius) / len(celsius), zero_mv, gain)


def _electrode_curve(
    fitted: probes.Calibration, assumed_c: float, zero_mv: float, gain: float
) -> Curve:
    def curve(value: float, temperature_c: float | None) -> float:
        celsius = assumed_c if temperature_c is None else temperature_c
        celsius = min(max(celsius, _ELECTRODE_C[0]), _ELECTRODE_C[1])
        millivolts = min(max((value - zero_mv) / gain, -2000.0), 2000.0)
        return float(probes.ph_from_millivolts(millivolts, celsius, fitted))

    return curve


def _line(quantity: str, data: Mapping[str, Any], unit: str | None) -> Curve:
    """A straight line from an offset, a factor, or points of reading and reference."""
    if "offset" in data:
        if unit is not None:
            raise InvalidInputError.of_field("data.unit", unit, "none beside an offset")
        return _straight(1.0, _number(data, "offset", "data"))
    if "factor" in data:
        factor = _number(data, "factor", "data")
        if factor <= 0:
            raise InvalidInputError.of_field("data.factor", factor, "a number above 0")
        return _straight(factor, 0.0)
    points = data["points"]
    if not isinstance(points, list) or not points:
        raise InvalidInputError.of_field("data.points", points, "a list of reading and reference")
    readings, references = (
        np.array([_number(p, key, f"data.points.{n}") for n, p in enumerate(points)])
        for key in ("reading", "reference")
    )
    if len(points) == 1 and quantity in _SHIFTED and unit is None:
        return _straight(1.0, float(references[0] - readings[0]))
    if len(points) == 1 and quantity not in _SHIFTED and readings[0] > 0 and references[0] > 0:
        return _straight(float(references[0] / readings[0]), 0.0)
    if len(points) == 1 or np.ptp(readings) == 0:
        raise InvalidInputError.of_field(
            "data.points", points, "two or more readings that differ, or one above 0"
        )
    gain, offset = np.polyfit(readings, references, 1)
    if gain == 0:
        raise InvalidInputError.of_field("data.points", points, "references that differ")
    return _straight(float(gain), float(offset))


def _straight(gain: float, offset: float) -> Curve:
    return lambda value, _temperature_c: gain * value + offset


def _has(points: object, key: str) -> bool:
    return (
        isinstance(points, list)
        and bool(points)
        and all(isinstance(p, dict) and key in p for p in points)
    )


def _number(data: object, key: str, where: str, *, default: float | None = None) -> float:
    value = data.get(key, default) if isinstance(data, Mapping) else None
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        raise InvalidInputError.of_field(f"{where}.{key}", value, "a number")
    return float(value)
