"""The planned day as a strip of 24 hours: when the lamp is on, and when the CO2 flows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time

from service.pages.drawings.day_strip import Bar, clock_after, planned_bars
from service.registry.models.plans import GasPlan, LightPlan

_MINUTES = 24 * 60


@dataclass(frozen=True, slots=True)
class PlanStrip:
    """Stretches of the day, and the same in words."""

    light: tuple[Bar, ...]
    gas: tuple[Bar, ...]
    words: str


def plan_strip(light: LightPlan, gas: GasPlan) -> PlanStrip:
    """The strip of two plans."""
    off = clock_after(light.start, light.photoperiod_h)
    words = f"Light {light.start:%H:%M} to {off:%H:%M} ({light.photoperiod_h:g} h)."
    if light.photoperiod_h == 0:
        words = "No light."
    bars: tuple[Bar, ...] = ()
    if gas.start is not None and gas.end is not None:
        bars = planned_bars(gas.start, gas.end)
        words += f" CO2 {gas.start:%H:%M} to {gas.end:%H:%M}{_beside(light, off, gas)}."
    lit = () if light.photoperiod_h == 0 else planned_bars(light.start, off)
    if light.photoperiod_h >= 24:
        lit = (Bar(0.0, 100.0),)
    return PlanStrip(lit, bars, words)


def _beside(light: LightPlan, off: time, gas: GasPlan) -> str:
    """How the CO2 lies beside the light: ``: on 2 h before the light, off with lights-off``."""
    assert gas.start is not None and gas.end is not None
    if not 0 < light.photoperiod_h < 24:
        return ""
    return f": on {_shift(gas.start, light.start)} the light, off {_shift(gas.end, off)} lights-off"


def _shift(at: time, beside: time) -> str:
    minutes = (_minutes(at) - _minutes(beside) + _MINUTES // 2) % _MINUTES - _MINUTES // 2
    if minutes == 0:
        return "with"
    length = abs(minutes)
    words = f"{length} min" if length < 60 else f"{length / 60:.2g} h"
    return f"{words} {'after' if minutes > 0 else 'before'}"


def _minutes(at: time) -> int:
    return at.hour * 60 + at.minute
