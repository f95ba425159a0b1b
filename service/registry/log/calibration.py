"""One calibration of one sensor, read from the data of a log entry.

Forms (docs/ingest.md): buffers in mV for a pH electrode; points of reading and reference; an
offset; a factor; or none of them, where the device was set itself. Which raw scale it is for:
``millivolts`` in the points or ``unit``. What cannot be read is refused when it is logged.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from service.errors import FieldFault, InvalidInputError, Refusal
from service.quantities import QUANTITIES
from service.registry.fields.limits import MOST_POINTS
from service.schemas.messages import pointer_part
from service.science.numeric.checks import OutOfRangeError
from service.science.sensors import raw_signals
from service.science.sensors.ph_electrode import CALIBRATION_VALID_DAYS

#: An electrode is compensated for this temperature when none is measured and none was noted, °C.
DEFAULT_TEMPERATURE_C: Final = 25.0
_ELECTRODE_C: Final = (0.0, 60.0)
_FORMS: Final = ("points", "offset", "factor")
_BESIDE_POINTS: Final = ("buffers", "zero_mv", "gain")
#: All keys that the data of a calibration may have.
CALIBRATION_KEYS: Final = ("quantity", "sensor", *_FORMS, "unit", *_BESIDE_POINTS, "slope_percent")
_SLOPE_PERCENT: Final = (1.0, 200.0)  # beyond it is a slip of the pen
_FLAT: Final = 1e-9  # share of the references that a line must move over its readings
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
        slope_percent: of a pH electrode against Nernst's, from its buffers or as its own meter
            showed; None: not known.
    """

    time_us: int
    raw: str | None
    curve: Curve
    due_us: int | None = None
    slope_percent: float | None = None


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
    if not isinstance(quantity, str) or quantity not in QUANTITIES:
        raise _wrong("data.quantity", quantity, ", ".join(QUANTITIES))
    for name in data:
        if name not in CALIBRATION_KEYS:
            allowed = f"no such key; those of a calibration: {', '.join(CALIBRATION_KEYS)}"
            raise _wrong(f"data.{name}", data[name], allowed)
    form = _form_of(data)
    unit = data.get("unit")
    if unit not in (None, "mV", "lx") or (unit == "lx" and quantity != "ppfd"):
        raise _wrong("data.unit", unit, "mV, or lx for ppfd, or none")
    slope_percent = _slope(quantity, data)
    if form is None:
        curve = _straight(1.0, 0.0)
    elif form == "points" and quantity == "ph" and _has(data["points"], "millivolts"):
        fitted, curve = _electrode(data)
        unit, slope_percent = "mV", fitted.slope_percent
    else:
        curve = _line(quantity, data, unit)
    due_us = None
    if quantity == "ph":
        due_us = time_us + int(CALIBRATION_VALID_DAYS * 86_400e6)
    return quantity, str(sensor), Calibration(time_us, unit, curve, due_us, slope_percent)


def _form_of(data: Mapping[str, Any]) -> str | None:
    """Which form the data have; None: the device was set itself, there is nothing to apply."""
    forms = [form for form in _FORMS if form in data]
    if len(forms) > 1:
        raise _wrong(f"data.{forms[1]}", data[forms[1]], f"none beside {forms[0]}")
    form = forms[0] if forms else None
    for name in _BESIDE_POINTS:
        if name in data and form != "points":
            raise _wrong(f"data.{name}", data[name], "only beside points")
    if form is None and "unit" in data:
        allowed = f"only beside one of {', '.join(_FORMS)}"
        raise _wrong("data.unit", data["unit"], allowed)
    return form


def _slope(quantity: str, data: Mapping[str, Any]) -> float | None:
    """The slope that a meter showed; from buffers it is computed."""
    if "slope_percent" not in data:
        return None
    low, high = _SLOPE_PERCENT
    slope_percent = _number(data, "slope_percent", "data")
    if quantity != "ph" or not low <= slope_percent <= high:
        allowed = f"{low:g} to {high:g}, for ph only"
        raise _wrong("data.slope_percent", slope_percent, allowed)
    return slope_percent


def ideal(quantity: str, raw: str) -> Curve | None:
    """What a raw number means of a sensor nobody has calibrated; None: nothing."""
    if (quantity, raw) == ("ph", "mV"):
        return _electrode_curve(raw_signals.Calibration(0.0, 1.0), DEFAULT_TEMPERATURE_C, 0.0, 1.0)
    if (quantity, raw) == ("ppfd", "lx"):
        from service.science.light.dose import UMOL_PER_LUX

        return _straight(UMOL_PER_LUX["white LED"], 0.0)
    return None


def _electrode(data: Mapping[str, Any]) -> tuple[raw_signals.Calibration, Curve]:
    """A pH electrode from its buffers."""
    zero_mv = _number(data, "zero_mv", "data", default=0.0)
    gain = _number(data, "gain", "data", default=1.0)
    if gain == 0:
        raise _wrong("data.gain", gain, "a number other than 0")
    points, celsius = [], []
    for index, point in enumerate(_points(data)):
        where = f"data.points.{index}"
        buffer = _buffer(data, point, where)
        temperature_c = _number(point, "temperature_c", where, default=DEFAULT_TEMPERATURE_C)
        low_c, high_c = buffer.temperature_c[0], buffer.temperature_c[-1]
        if not low_c <= temperature_c <= high_c:
            allowed = f"{low_c:g} to {high_c:g} °C"
            raise _wrong(f"{where}.temperature_c", temperature_c, allowed)
        millivolts = (_number(point, "millivolts", where) - zero_mv) / gain
        points.append(raw_signals.CalibrationPoint(buffer, millivolts, temperature_c))
        celsius.append(temperature_c)
    try:
        fitted = raw_signals.calibrate(points)
    except OutOfRangeError as error:
        allowed = f"two or more buffers 1 pH or more apart whose millivolts fall with pH ({error})"
        raise _wrong("data.points", data["points"], allowed) from error
    return fitted, _electrode_curve(fitted, sum(celsius) / len(celsius), zero_mv, gain)


def _buffer(data: Mapping[str, Any], point: Mapping[str, Any], where: str) -> raw_signals.Buffer:
    """The buffer of a point: by its name in a set, or by its pH."""
    if "ph" in point:
        ph = _number(point, "ph", where)
        return raw_signals.Buffer(_ELECTRODE_C, (ph, ph))
    chosen, name = data.get("buffers", "technical"), point.get("buffer")
    if not isinstance(chosen, str) or chosen not in raw_signals.BUFFER_SETS:
        raise _wrong("data.buffers", chosen, ", ".join(raw_signals.BUFFER_SETS))
    names = raw_signals.BUFFER_SETS[chosen]
    if not isinstance(name, str) or name not in names:
        allowed = f"{', '.join(names)}; or ph in its place"
        raise _wrong(f"{where}.buffer", name, allowed)
    return names[name]


def _electrode_curve(
    fitted: raw_signals.Calibration, assumed_c: float, zero_mv: float, gain: float
) -> Curve:
    def curve(value: float, temperature_c: float | None) -> float:
        celsius = assumed_c if temperature_c is None else temperature_c
        celsius = min(max(celsius, _ELECTRODE_C[0]), _ELECTRODE_C[1])
        millivolts = min(max((value - zero_mv) / gain, -2000.0), 2000.0)
        return float(raw_signals.ph_from_millivolts(millivolts, celsius, fitted))

    return curve


def _line(quantity: str, data: Mapping[str, Any], unit: str | None) -> Curve:
    """A straight line from an offset, a factor, or points of reading and reference."""
    if "offset" in data:
        if unit is not None:
            raise _wrong("data.unit", unit, "none beside an offset")
        return _straight(1.0, _number(data, "offset", "data"))
    if "factor" in data:
        factor = _number(data, "factor", "data")
        if factor <= 0:
            raise _wrong("data.factor", factor, "a number above 0")
        return _straight(factor, 0.0)
    for name in _BESIDE_POINTS:
        if name in data:
            allowed = "only beside points of a pH electrode in millivolts"
            raise _wrong(f"data.{name}", data[name], allowed)
    points = _points(data)
    readings, references = (
        np.array([_number(p, key, f"data.points.{n}") for n, p in enumerate(points)])
        for key in ("reading", "reference")
    )
    if len(points) == 1 and quantity in _SHIFTED and unit is None:
        return _straight(1.0, float(references[0] - readings[0]))
    if len(points) == 1 and quantity not in _SHIFTED and readings[0] > 0 and references[0] > 0:
        return _straight(float(references[0] / readings[0]), 0.0)
    if len(points) == 1 or np.ptp(readings) == 0:
        raise _wrong("data.points", points, "two or more readings that differ, or one above 0")
    gain, offset = np.polyfit(readings, references, 1)
    # the fit of a flat line is flat but for rounding
    if abs(gain) * np.ptp(readings) <= _FLAT * np.abs(references).max():
        raise _wrong("data.points", points, "references that rise or fall with the readings")
    return _straight(float(gain), float(offset))


def _wrong(field: str, value: object, allowed: str) -> InvalidInputError:
    """The error for the field at a dotted path."""
    pointer = "/" + "/".join(pointer_part(part) for part in field.split("."))
    return InvalidInputError.of([FieldFault.of(pointer, Refusal(value, allowed))])


def _points(data: Mapping[str, Any]) -> list[Any]:
    points = data["points"]
    if not isinstance(points, list) or not 0 < len(points) <= MOST_POINTS:
        allowed = f"a list of 1 to {MOST_POINTS} points"
        raise _wrong("data.points", points, allowed)
    return points


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
        raise _wrong(f"{where}.{key}", value, "a number")
    return float(value)
