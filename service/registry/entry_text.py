"""A log entry in one line for a person."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.registry.fields.log import KINDS, TESTED_IONS
from service.registry.models import LogEntry, LogKind
from service.science.water.hardness import dgh_from_meq_l, dkh_from_meq_l


def entry_text(entry: LogEntry) -> str:
    """What was done, with its amounts: ``Water change, 50 %, new water 24 °C``."""
    texts = [KINDS[entry.kind].label, *_details(entry.kind, entry.data)]
    return ", ".join(text for text in texts if text)


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
        return [_percent(data.get("fraction")), str(data.get("part", "")), left]
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
    if kind in (LogKind.PROBE_OUT, LogKind.PROBE_BACK):
        minutes = f"{data['minutes']:g} min" if "minutes" in data else ""
        return [str(data.get("quantity", "")), str(data.get("sensor", "")), minutes]
    if kind is LogKind.ADJUSTMENT:
        before, after = data.get("before", ""), data.get("after", "")
        both = f"{before} -> {after}" if before and after else before or after
        return [str(data["lever"]).replace("-", " "), both]
    return [_fact(name, value) for name, value in data.items()]


def _amount(data: Mapping[str, Any]) -> str:
    """Of a solution or a dry salt: ``18 mL``."""
    if "ml" in data:
        return f"{data['ml']:g} mL"
    return f"{data['g']:g} g" if "g" in data else ""


def _fact(name: str, value: Any) -> str:
    """Any other fact; the points of a calibration one by one."""
    if isinstance(value, list):
        points = [_point(one) if isinstance(one, dict) else str(one) for one in value]
        return f"{name}: {'; '.join(points)}"
    words = name.replace("_", " ")
    return f"{words} {value:g}" if isinstance(value, float) else f"{words} {value}"


def _point(point: Mapping[str, Any]) -> str:
    """A point of a calibration: ``buffer 7.00, 2.1 mV, 22 °C``."""
    units = {"millivolts": " mV", "temperature_c": " °C"}
    return ", ".join(
        f"{value:g}{units[name]}" if name in units else f"{name} {value}"
        for name, value in point.items()
    )


def _water_change(data: Mapping[str, Any]) -> list[str]:
    parts = [_percent(data["fraction"])]
    if "temperature_c" in data:
        parts.append(f"new water {data['temperature_c']:g} °C")
    if "kh_meq_l" in data:
        parts.append(f"of {float(dkh_from_meq_l(data['kh_meq_l'])):.1f} °dKH")
    return parts


def _percent(share: Any) -> str:
    return "" if share is None else f"{100 * share:.0f} %"
