"""Emergencies of a tank: what to look for and what to do then, for who looks after it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from service.advice.cautions import cautions_for
from service.advice.closing import way_to_close
from service.advice.distress import relief
from service.advice.engine.instruction import hazards_of
from service.advice.engine.recommendation import Amount, Instruction
from service.advice.engine.rule import Case
from service.advice.engine.work import Hazard
from service.advice.phrases import capitalised


@dataclass(frozen=True, slots=True, kw_only=True)
class Emergency(Instruction):
    """What to do when something is seen.

    Attributes:
        title: what is seen, such as ``temperature above 26 °C``.
        action: what to do then, in the order to do it.
        value, unit: the number in it, where there is one.
    """

    value: float | None = None
    unit: str = ""


def emergencies(case: Case) -> list[Emergency]:
    """The emergencies that a tank can have, the worst for animals first."""
    return [
        *_animals(case),
        *_temperature(case),
        *_gas(case),
        *_lamp(case),
        *_water_and_power(case),
    ]


def _animals(case: Case) -> Iterator[Emergency]:
    tank = case.tank
    if not case.view.tank.animals:
        return
    aid = relief(case)
    yield _emergency(
        case,
        _distress(case),
        ("Close the CO2 cylinder. " if tank.co2_injected else "")
        + f"{aid.air} Then {aid.water}. Call.",
        aid.hazards,
        amounts=aid.amounts,
    )


def _distress(case: Case) -> str:
    """What animals in distress look like, told apart from fishes that take air."""
    breathers = case.view.tolerance.air_breathers
    usual = " and stay there" if breathers else ""
    return f"animals gasp at the surface{usual}, or lie on their sides"


def _temperature(case: Case) -> Iterator[Emergency]:
    found, heated = case.view.temperature.tolerable, case.tank.heated
    rate = f"{case.limit('temperature_rate_max_c_h'):g} °C per hour"
    if found.high_c is not None:
        yield _emergency(
            case,
            f"temperature above {found.high_c:g} °C",
            ("Unplug the heater. " if heated else "")
            + "Open the lid, switch the lamp off, set a fan across the surface, and raise the "
            f"filter outlet. Cool by no more than {rate}."
            + (f" Plug the heater in again at {found.high_c:g} °C." if heated else ""),
            (Hazard.TEMPERATURE, Hazard.MAINS),
            value=found.high_c,
            unit="Cel",
        )
    if found.low_c is not None:
        yield _emergency(
            case,
            f"temperature below {found.low_c:g} °C",
            ("Is the heater plugged in, and under water? " if heated else "")
            + f"Shut the lid and the window, and warm the room, by no more than {rate}. Pour in no "
            "hot water.",
            (Hazard.TEMPERATURE, Hazard.MAINS),
            value=found.low_c,
            unit="Cel",
        )


def _gas(case: Case) -> Iterator[Emergency]:
    if not case.tank.co2_injected:
        return
    high = case.view.co2_high
    if high is not None:
        yield _emergency(
            case,
            f"CO2 above {high.ceiling_mg_l:.3g} mg/L for more than half an hour",
            "Close the CO2 cylinder and leave it closed until the tank keeper is back. Raise the "
            "filter outlet or run an air stone.",
            (Hazard.CO2, Hazard.MAINS),
            value=high.ceiling_mg_l,
            unit="mg/L",
        )
    yield _emergency(
        case,
        "how to close the CO2 cylinder",
        f"{capitalised(way_to_close(case.tank))}. Turn nothing else on it.",
        (Hazard.CO2,),
    )
    yield _emergency(
        case,
        "the CO2 cylinder hisses, or is covered with frost",
        "Open the windows, leave the room with everybody in it, and close the door. Call for help "
        "as local codes say. Leave the cylinder to licensed practice.",
        (Hazard.CO2,),
    )


def _lamp(case: Case) -> Iterator[Emergency]:
    shut = " If it stays dark, close the CO2 cylinder." if case.tank.co2_injected else ""
    yield _emergency(
        case,
        f"lamp dark an hour after {case.tank.light.start:%H:%M}",
        f"Look at its plug and switch.{shut} A few dark days do no harm.",
        (Hazard.MAINS, *_co2(case)),
    )


def _water_and_power(case: Case) -> Iterator[Emergency]:
    yield _emergency(
        case,
        "water on the floor",
        "Switch the mains of the tank off first, from outside the puddle. Then find the leak."
        + (
            " If water no longer covers the heater, leave it off until it does."
            if case.tank.heated
            else ""
        ),
        (Hazard.MAINS, Hazard.STOPPED),
    )
    yield _emergency(
        case,
        "the filter has stopped",
        "Look at its plug. If it stood for less than an hour, just switch it on again. If it stood "
        "for longer, call first: the water in it has gone bad.",
        (Hazard.MAINS, Hazard.STOPPED),
    )
    if case.view.sensors:
        yield _emergency(
            case,
            "a sensor sends nothing, or odd values",
            "Trust a hand thermometer and your eyes. Change nothing because of the number.",
            (),
        )


def _co2(case: Case) -> tuple[Hazard, ...]:
    return (Hazard.CO2,) if case.tank.co2_injected else ()


def _emergency(
    case: Case,
    title: str,
    action: str,
    hazards: Iterable[Hazard],
    *,
    amounts: tuple[Amount, ...] = (),
    value: float | None = None,
    unit: str = "",
) -> Emergency:
    return Emergency(
        title=title,
        action=action,
        cautions=cautions_for((*hazards, *hazards_of(amounts)), case.tank),
        amounts=amounts,
        value=value,
        unit=unit,
    )
