"""What is asked of a day with other settings: which, and whether they are allowed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import time

from service.errors import InvalidInputError
from service.registry.models.tank import Stock, Tank


@dataclass(frozen=True, slots=True)
class Question:
    """What to change; None and 1 leave things as they are.

    Attributes:
        light_start, photoperiod_h, gas_start, gas_end: local times and hours of other plans.
        injection_factor: gas flow, as a multiple of the present one, 0 to 5.
        surface_factor: surface exchange, as a multiple of the present one, 0.2 to 5.
        kh_meq_l: another KH, as the tank's kit would show it, 0 to 20.
        water_change_fraction, water_change_every_days: another routine water change.
        animals: to come, beside those that are there.
    """

    light_start: time | None = None
    photoperiod_h: float | None = None
    gas_start: time | None = None
    gas_end: time | None = None
    injection_factor: float = 1.0
    surface_factor: float = 1.0
    kh_meq_l: float | None = None
    water_change_fraction: float | None = None
    water_change_every_days: float | None = None
    animals: tuple[Stock, ...] = ()


def check_question(question: Question) -> None:
    """Refuse settings out of their range.

    Raises:
        InvalidInputError: naming the first wrong one.
    """
    for name, low, high in (
        ("photoperiod_h", 0.0, 24.0),
        ("injection_factor", 0.0, 5.0),
        ("surface_factor", 0.2, 5.0),
        ("kh_meq_l", 0.0, 20.0),
        ("water_change_fraction", 0.01, 1.0),
        ("water_change_every_days", 0.5, 365.0),
    ):
        value = getattr(question, name)
        if value is not None and not low <= value <= high:
            raise InvalidInputError.of_field(name, value, f"{low:g} to {high:g}")


def asked_tank(tank: Tank, question: Question) -> Tank:
    """The tank with what the question changes in its plans and animals.

    Raises:
        InvalidInputError: one gas time is asked and the other is in no plan.
    """
    start, hours = question.light_start, question.photoperiod_h
    light = replace(
        tank.light,
        start=tank.light.start if start is None else start,
        photoperiod_h=tank.light.photoperiod_h if hours is None else hours,
    )
    gas = replace(
        tank.gas,
        start=tank.gas.start if question.gas_start is None else question.gas_start,
        end=tank.gas.end if question.gas_end is None else question.gas_end,
    )
    if (gas.start is None) != (gas.end is None):
        name = "gas_end" if gas.end is None else "gas_start"
        raise InvalidInputError.of_field(
            name, None, "a time of day too: the tank's plan does not switch CO2"
        )
    return replace(tank, light=light, gas=gas, animals=(*tank.animals, *question.animals))
