"""The range of CO2 that plants want and animals tolerate, and where a value lies against it."""

from __future__ import annotations

from dataclasses import dataclass

from service.derive.models.co2 import Co2State
from service.registry.models.tank import Tank


@dataclass(frozen=True, slots=True)
class Target:
    """The range of CO2 aimed at, mg/L dissolved by the carbonate balance."""

    low_mg_l: float
    high_mg_l: float


def target_of(tank: Tank, comfortable_mg_l: float | None) -> Target:
    """The plants' target range, its upper end no higher than the animals are comfortable with.

    A tank without injected CO2 lives on what the air gives: its lower end is 0.
    """
    high = tank.targets.co2_high_mg_l
    if comfortable_mg_l is not None:
        high = min(high, comfortable_mg_l)
    low = tank.targets.co2_low_mg_l if tank.co2_injected else 0.0
    return Target(min(low, high), high)


def state_of(co2_mg_l: float, target: Target) -> Co2State:
    """Where a CO2 value lies against its target; a value on a limit is within."""
    if co2_mg_l < target.low_mg_l:
        return Co2State.BELOW
    return Co2State.ABOVE if co2_mg_l > target.high_mg_l else Co2State.WITHIN
