"""A log entry in one line for a person."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from service.quantities import quantity_title, quantity_words
from service.registry.fields.log.kinds import KINDS
from service.registry.fields.log.water_tests import TESTED_IONS
from service.registry.log.observations import observed
from service.registry.models.log import LogEntry, LogKind
from service.science.water.hardness import dgh_from_meq_l, dkh_from_meq_l

_SAID: Final = ("kind", "level", "plant", "height_cm")
"""Members of an observation that have words of their own."""


def entry_text(entry: LogEntry) -> str:
    """What was done, with its amounts: ``Water change, 50 %, new water 24 °C``."""
    if entry.kind in (LogKind.CALIBRATION, LogKind.PROBE_OUT, LogKind.PROBE_BACK):
        return _of_sensor(entry.kind, entry.data)
    if entry.kind is LogKind.OBSERVATION and set(entry.data) == {"done"}:
        return f"Done: {entry.data['done']}"
    if entry.kind is LogKind.OBSERVATION and (seen := observed(entry.data)) is not None:
        return ", ".join([seen.text, *_details(entry.kind, entry.data)])
    texts = [KINDS[entry.kind].label, *_details(entry.kind, entry.data)]
    return ", ".join(text for text in texts if text)


def _of_sensor(kind: LogKind, data: Mapping[str, Any]) -> str:
    """What was done with a sensor: ``Calibration of the pH sensor board-7: 7.01 read as 6.95``."""
    quantity, name = str(data.get("quantity", "ph")), str(data.get("sensor", ""))
    if kind is LogKind.CALIBRATION:
        texts = _calibration(data)
        of = " ".join(
            filter(None, ("Calibration of the", quantity_words(quantity), "sensor", name))
        )
        return f"{of}: {'; '.join(texts)}" if texts else of
    where = "out of the tank" if kind is LogKind.PROBE_OUT else "back in the tank"
    length = f" for {data['minutes']:g} min" if "minutes" in data else ""
    probe = f"{quantity_title(quantity)} probe"
    return f"{' '.join(filter(None, (probe, name)))} {where}{length}"


_CALIBRATION_FACTS: Final = {
    "offset": "{:+g} added",
    "factor": "times {:g}",
    "slope_percent": "slope {:g} %",
    "zero_mv": "zero at {:g} mV",
    "gain": "amplified {:g} times",
    "unit": "sensor sends {}",
    "buffers": "buffer set {}",
}


def _calibration(data: Mapping[str, Any]) -> list[str]:
    """The points of a calibration one by one, then what else is known of it."""
    facts = [text.format(data[name]) for name, text in _CALIBRATION_FACTS.items() if name in data]
    points = data.get("points", ())
    return [*(_point(one) if isinstance(one, dict) else str(one) for one in points), *facts]


def _details(kind: LogKind, data: Mapping[str, Any]) -> list[str]:
    if kind is LogKind.WATER_CHANGE:
        return _water_change(data)
    if kind is LogKind.DOSE:
        return [f"{data['name']} {_amount(data)}"]
    if kind is LogKind.KH_TEST:
        return [f"{float(dkh_from_meq_l(data['kh_meq_l'])):.1f} °dKH"]
    if kind is LogKind.GH_TEST:
        return [f"{float(dgh_from_meq_l(data['gh_meq_l'])):.1f} °dGH"]
    if kind is LogKind.NUTRIENT_TEST:
        return [f"{ion} {data[key]:g} mg/L" for key, ion in TESTED_IONS.items() if key in data]
    if kind in (LogKind.TRIM, LogKind.REPLANT):
        left = f"{data['height_cm']:g} cm left" if "height_cm" in data else ""
        which = [str(data.get(name, "")) for name in ("plant", "part")]
        return [_percent(data.get("fraction")), *which, left]
    if kind is LogKind.FILTER_CLEAN:
        return [str(data.get("part", ""))]
    if kind is LogKind.STOCKING:
        count = data["count"]
        animals = f"{abs(count)} {data['species']}"
        return [f"{animals} came in" if count > 0 else f"{animals} died or left"]
    if kind is LogKind.SALT:
        return [str(data.get("name", "")), f"{data['g']:g} g"]
    if kind is LogKind.MEDICATION:
        return [str(data["name"]), _amount(data)]
    if kind is LogKind.BUFFER:
        return [f"{data['g']:g} g {data['salt']}"]
    if kind is LogKind.CYLINDER:
        return [f"{data['g']:g} g CO2"]
    if kind is LogKind.ADJUSTMENT:
        before, after = data.get("before", ""), data.get("after", "")
        both = f"{before} -> {after}" if before and after else before or after
        return [str(data["lever"]).replace("-", " "), both]
    tall = [f"{data['plant']} {data['height_cm']:g} cm tall"] if "plant" in data else []
    return [*tall, *(_fact(name, value) for name, value in data.items() if name not in _SAID)]


def _amount(data: Mapping[str, Any]) -> str:
    """Of a solution or a dry salt: ``18 mL``."""
    if "ml" in data:
        return f"{data['ml']:g} mL"
    return f"{data['g']:g} g" if "g" in data else ""


def _fact(name: str, value: Any) -> str:
    """Any other fact."""
    words = name.replace("_", " ")
    if isinstance(value, list):
        return f"{words}: {'; '.join(str(one) for one in value)}"
    return f"{words} {value:g}" if isinstance(value, float) else f"{words} {value}"


def _point(point: Mapping[str, Any]) -> str:
    """A point of a calibration: ``7.00 at 2.1 mV, 22 °C``, ``7.01 read as 6.95``."""
    true = next((point[name] for name in ("buffer", "ph", "reference") if name in point), None)
    texts = ["" if true is None else f"{true:g}" if isinstance(true, float) else str(true)]
    if "millivolts" in point:
        texts.append(f"at {point['millivolts']:g} mV")
    if "reading" in point:
        texts.append(f"read as {point['reading']:g}")
    words = " ".join(filter(None, texts))
    return f"{words}, {point['temperature_c']:g} °C" if "temperature_c" in point else words


def _water_change(data: Mapping[str, Any]) -> list[str]:
    parts = [_percent(data["fraction"])]
    if "temperature_c" in data:
        parts.append(f"new water {data['temperature_c']:g} °C")
    if "kh_meq_l" in data:
        parts.append(f"of {float(dkh_from_meq_l(data['kh_meq_l'])):.1f} °dKH")
    return parts


def _percent(share: Any) -> str:
    return "" if share is None else f"{100 * share:.0f} %"
