"""The sensors of a tank: the latest reading of each, and whether the pH probe is in the water."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from service.advice.phrases import capitalised
from service.derive.models.tank_view import TankView
from service.derive.sensors.choice import flag_words
from service.derive.sensors.device_clock import clock_text
from service.derive.sensors.probe_out import probe_out_text
from service.pages.number_format import shown_value
from service.quantities import quantity_title
from service.store.model import Reading
from service.times import from_us, to_us


@dataclass(frozen=True, slots=True)
class SensorLine:
    """The latest reading of a sensor.

    Attributes:
        believed: values rest on it, and there is another one of the quantity.
    """

    quantity: str
    sensor: str
    value: str
    unit: str
    reading: Reading
    silent: bool
    doubts: str
    believed: bool


@dataclass(frozen=True, slots=True)
class ProbeLine:
    """Whether the pH probe is in the tank.

    Attributes:
        out: why its readings are left out now, a sentence; "" while they count.
        logged: somebody has logged that it is out.
    """

    out: str = ""
    logged: bool = False


def probe_line(view: TankView) -> ProbeLine | None:
    """The pH probe of a tank; None where there is none."""
    if not any(one.key.quantity == "ph" for one in view.sensors):
        return None
    now_us = to_us(view.now)
    for one in view.probes_out:
        if one.key.quantity == "ph" and one.holds(now_us):
            text = capitalised(probe_out_text(one, view.tank))
            return ProbeLine(text if text.endswith("?") else f"{text}.", one.before is None)
    return ProbeLine()


def _doubts(view: TankView, last: Reading) -> str:
    """The doubts about the newest reading of a sensor, or what is wrong with its clock."""
    for one in view.clocks:
        if (one.quantity, one.sensor) == (last.quantity, last.sensor):
            return clock_text(one, view.tank, view.now)
    return flag_words(last.flags)


def sensor_lines(view: TankView, silent_after_min: dict[str, float]) -> tuple[SensorLine, ...]:
    """The sensors of a tank, the longest silent first.

    Args:
        silent_after_min: quantity -> minutes after which its sensor counts as silent.
    """
    several = Counter(info.key.quantity for info in view.sensors)
    made = []
    for info in view.sensors:
        last = info.last
        value, unit = shown_value(last)
        age_min = (view.now - from_us(last.time_us)).total_seconds() / 60
        made.append(
            SensorLine(
                quantity_title(last.quantity),
                last.sensor,
                value,
                unit,
                last,
                age_min > silent_after_min[last.quantity],
                _doubts(view, last),
                several[last.quantity] > 1 and info.key in view.believed,
            )
        )
    return tuple(sorted(made, key=lambda one: (not one.silent, one.quantity, one.sensor)))
