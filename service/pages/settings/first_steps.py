"""The first steps of a new tank: a short list that ticks itself off."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from flask import Blueprint, session, url_for

from service.derive.models.tank_view import TankView
from service.pages.settings.rights import may_write
from service.quantities import quantity_words
from service.registry.models.log import LogKind
from service.registry.models.plans import LightPlan
from service.registry.models.tank import Tank
from service.registry.volume import net_volume_l

HIDDEN: Final = "first_steps_hidden"
"""In the cookie: ids of the tanks whose list was hidden."""

_LIGHT: Final = ("illuminance", "ppfd")


@dataclass(frozen=True, slots=True)
class Step:
    """One step.

    Attributes:
        words: what is to be done.
        why: what it is good for.
        address: where it is done.
    """

    words: str
    why: str
    address: str
    done: bool


def register(pages: Blueprint) -> None:
    """Give the templates ``first_steps(view)``."""
    pages.app_context_processor(lambda: {"first_steps": shown_steps})


def hide(tank: str) -> None:
    """Show the list of a tank no more, in this browser."""
    session[HIDDEN] = [*_hidden()[-50:], tank]


def shown_steps(view: TankView | None) -> tuple[Step, ...]:
    """The steps of a tank as its page lists them; none when all are done, or for a reader."""
    if view is None or not may_write() or view.tank.id in _hidden():
        return ()
    steps = tuple(_steps(view))
    return () if all(one.done for one in steps) else steps


def _steps(view: TankView) -> Iterator[Step]:
    tank = view.tank
    logged = {entry.kind for entry in view.log}
    yield Step(
        "Dimensions",
        "for amounts of water and fertiliser",
        _settings(tank, "dimensions"),
        net_volume_l(tank) is not None,
    )
    yield Step(
        "KH",
        "CO2 is worked out from it",
        _settings(tank, "water"),
        tank.kh_meq_l is not None or LogKind.KH_TEST in logged,
    )
    yield Step(
        "Animals",
        "for the temperature and CO2 they bear",
        _settings(tank, "animals"),
        any(one.count for one in tank.animals),
    )
    yield Step(
        "Plan of light and CO2",
        "to see when the day leaves it",
        _settings(tank, "plan"),
        _planned(tank),
    )
    yield from _readings(view)
    if _wants_ph(view):
        yield Step(
            "Calibration of the pH probe",
            "an uncalibrated probe gives a wrong CO2",
            url_for("pages.calibrate", tank=tank.id),
            LogKind.CALIBRATION in logged,
        )


def _readings(view: TankView) -> Iterator[Step]:
    """The first reading of each sensor that a tank needs."""
    wanted: list[tuple[str, ...]] = [("temperature",), _LIGHT]
    if _wants_ph(view):
        wanted.insert(1, ("ph",))
    measured = {info.key.quantity for info in view.sensors}
    for quantities in wanted:
        name = quantity_words(quantities[0])
        yield Step(
            f"First reading: {name}",
            "",
            url_for("pages.sensors"),
            bool(measured.intersection(quantities)),
        )


def _planned(tank: Tank) -> bool:
    if tank.co2_injected:
        return tank.gas.start is not None
    return tank.light != LightPlan()


def _wants_ph(view: TankView) -> bool:
    return view.tank.co2_injected or any(info.key.quantity == "ph" for info in view.sensors)


def _settings(tank: Tank, section: str) -> str:
    return url_for("pages.settings", tank=tank.id, open=section, _anchor=section)


def _hidden() -> list[Any]:
    found = session.get(HIDDEN)
    return found if isinstance(found, list) else []
