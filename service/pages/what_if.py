"""The page on which a settled day is tried with other settings, drawn over today's."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import time
from typing import Final

import marshmallow as ma
import numpy as np
import numpy.typing as npt
from flask import Blueprint, render_template, request

from service.advice.phrases import capitalised
from service.api.context import current, now
from service.derive.gas_exchange import FIT_DAYS, gas_exchange
from service.derive.loader import load
from service.derive.models.quality import EstimatedValue
from service.derive.models.tank_view import TankView
from service.derive.prediction.question import Question
from service.derive.prediction.what_if import Answer, PredictedDay, what_if
from service.derive.tank_view import tank_view
from service.errors import (
    ConflictError,
    InvalidInputError,
    StoreRefusedError,
    StoreUnavailableError,
)
from service.pages.drawings.curves import Canvas
from service.pages.overview import unavailable_text
from service.schemas.entry import json_of
from service.schemas.fields import Number
from service.science.water.hardness import dkh_from_meq_l, meq_l_from_dkh

WIDTH: Final = 720.0
HEIGHT: Final = 180.0
DAY_MIN: Final = 1440.0
AIR: Final = 1.1
"""The scale reaches so far above the highest of curves and target."""
MOST_BAND: Final = 1.6
"""Nor further above the curves themselves, so that a wide interval does not flatten them."""


@dataclass(frozen=True, slots=True)
class Slider:
    """One setting: its range and step, as it is by plan, and as it is tried.

    Attributes:
        form: how a script writes its value: ``clock`` for minutes since midnight, ``number`` else.
        fault: why what was asked for is none of its values.
    """

    name: str
    label: str
    unit: str
    low: float
    high: float
    step: float
    planned: float
    value: float
    form: str = "number"
    fault: str = ""

    @property
    def shown(self) -> str:
        """The value for people."""
        return self.words(self.value)

    def words(self, value: float) -> str:
        """Any value of it for people: ``07:40``, ``120 %``."""
        if self.form == "clock":
            return f"{int(value) // 60:02d}:{int(value) % 60:02d}"
        return f"{value:g} {self.unit}"


@dataclass(frozen=True, slots=True)
class Tried:
    """What is tried, and what follows; None where nothing can be predicted."""

    sliders: tuple[Slider, ...] = ()
    answer: Answer | None = None

    @property
    def drawing(self) -> Drawing | None:
        """Both days drawn."""
        return None if self.answer is None else drawing_of(self.answer)

    @property
    def rows(self) -> tuple[tuple[str, ...], ...]:
        """Both days compared: name, today, changed."""
        return () if self.answer is None else tuple(rows_of(self.answer))


@dataclass(frozen=True, slots=True)
class Drawing:
    """CO2 of both days, 720 wide and 180 high.

    Attributes:
        today, changed: points of the courses; band: round the 95 % interval of the changed one.
        target: top and height of the range aimed at.
        lit, gas: start and width of the stretches of the changed day.
        top: mg/L at the upper edge.
        words: the same in words.
    """

    today: tuple[str, ...]
    changed: tuple[str, ...]
    band: str
    target: tuple[float, float]
    lit: tuple[tuple[float, float], ...]
    gas: tuple[tuple[float, float], ...]
    top: str
    middle: str
    words: str


def register(pages: Blueprint) -> None:
    """Add the view to the blueprint."""
    pages.add_url_rule("/tanks/<tank>/what-if", "what_if", what_if_page)


def what_if_page(tank: str) -> str | tuple[str, int]:
    """Sliders, and the day that they lead to."""
    context = current()
    found = context.registry.tank(tank)
    tried, trouble, status = Tried(), "", 200
    try:
        inputs = load(found, context.registry, context.store, now(), days=FIT_DAYS)
        view = tank_view(inputs, gas=gas_exchange(inputs))
        tried = Tried(sliders_of(view))
        tried = Tried(tuple(moved(one, request.args) for one in tried.sliders))
        if any(one.fault for one in tried.sliders):
            trouble, status = "Not worked out: see the slider.", InvalidInputError.kind.status
        else:
            answer = what_if(view, inputs.series("temperature"), question_of(tried.sliders))
            tried = Tried(tried.sliders, answer)
    except (StoreUnavailableError, StoreRefusedError) as error:
        trouble, status = unavailable_text(error), error.kind.status
    except ConflictError as error:
        trouble = capitalised(error.detail)
    except InvalidInputError as error:
        trouble, status = error.detail, error.kind.status
    page = render_template("pages/what_if.html", tank=found, tried=tried, trouble=trouble)
    return page if status == 200 else (page, status)


def sliders_of(view: TankView) -> tuple[Slider, ...]:
    """The sliders at what is planned and known now."""
    tank, made = view.tank, []
    if tank.gas.start is not None:
        start = tank.gas.start.hour * 60.0 + tank.gas.start.minute
        made.append(Slider("gas-start", "CO2 starts at", "", 0, 1439, 5, start, start, "clock"))
    made.append(Slider("flow", "CO2 flow, of the present one", "%", 0, 200, 5, 100, 100))
    hours = tank.light.photoperiod_h
    made.append(Slider("light", "Light in the day", "h", 0, 16, 0.25, hours, hours))
    if view.co2.kh is not None:
        kh = round(float(dkh_from_meq_l(view.co2.kh.meq_l)), 1)
        made.append(Slider("kh", "KH", "dKH", 0.5, max(15.0, kh), 0.1, kh, kh))
    return tuple(made)


def moved(slider: Slider, given: Mapping[str, str]) -> Slider:
    """A slider at what was asked for, or with its fault; left out, it stays as it is."""
    text = given.get(slider.name, "").strip()
    if not text:
        return slider
    try:
        value = Number(low=slider.low, high=slider.high).deserialize(json_of(Number(), text))
    except ma.ValidationError:
        limits = f"{slider.words(slider.low)} to {slider.words(slider.high)}"
        refused = InvalidInputError.of_field(slider.label, text[:40], limits)
        return replace(slider, fault=refused.detail)
    return replace(slider, value=value)


def question_of(sliders: tuple[Slider, ...]) -> Question:
    """What is asked: what the sliders changed."""
    changed = {one.name: one.value for one in sliders if one.value != one.planned}
    minute, kh = changed.get("gas-start"), changed.get("kh")
    return Question(
        gas_start=None if minute is None else time(int(minute) // 60, int(minute) % 60),
        injection_factor=changed.get("flow", 100.0) / 100,
        photoperiod_h=changed.get("light"),
        kh_meq_l=None if kh is None else float(meq_l_from_dkh(kh)),
    )


def drawing_of(answer: Answer) -> Drawing:
    """The two courses of CO2, the changed one with its interval."""
    today, changed = answer.today, answer.changed
    middle = max(float(today.co2.value.max()), float(changed.co2.value.max()), 1.0)
    wide = min(float(changed.co2.high.max()), MOST_BAND * middle)
    top = AIR * max(middle, wide, changed.target_high_mg_l)
    canvas = Canvas(WIDTH, HEIGHT, 0.0, DAY_MIN, 0.0, top)
    words = (
        f"CO2 over a day. Today: highest {today.co2_peak.value:.0f} mg/L, "
        f"at lights-on {today.co2_at_lights_on.value:.0f}. "
        f"Changed: highest {changed.co2_peak.value:.0f} mg/L, "
        f"at lights-on {changed.co2_at_lights_on.value:.0f}."
    )
    return Drawing(
        today=canvas.curves(today.minute, today.co2.value, DAY_MIN),
        changed=canvas.curves(changed.minute, changed.co2.value, DAY_MIN),
        band=canvas.area(changed.minute, changed.co2.low, changed.co2.high),
        target=canvas.range(changed.target_low_mg_l, changed.target_high_mg_l),
        lit=_stretches(canvas, changed, changed.lit),
        gas=_stretches(canvas, changed, changed.gas),
        top=f"{top:.0f}",
        middle=f"{top / 2:.0f}",
        words=words,
    )


def rows_of(answer: Answer) -> Iterator[tuple[str, ...]]:
    """What is compared: name, today, changed."""
    today, changed = answer.today, answer.changed

    def row(name: str, of: str, unit: str, decimals: int = 0) -> tuple[str, ...]:
        return (name, *(_estimate(getattr(day, of), unit, decimals) for day in (today, changed)))

    yield row("CO2 at lights-on", "co2_at_lights_on", "mg/L")
    yield row("Highest CO2", "co2_peak", "mg/L")
    yield row("Light with CO2 in its range", "light_h_within", "h", 1)
    yield row("Light with too little CO2", "light_h_below", "h", 1)
    if changed.ceiling_mg_l is not None:
        yield row(
            f"Above what the animals tolerate ({changed.ceiling_mg_l:.0f} mg/L)",
            "above_ceiling_min",
            "min",
        )
    yield row("Lowest pH", "ph_lowest", "", 2)
    yield row("Highest pH", "ph_highest", "", 2)
    if changed.gas_g is not None:
        yield row("CO2 dissolved in the day", "gas_g", "g", 1)
    if today.dli_mol_m2_d is not None and changed.dli_mol_m2_d is not None:
        sums = (f"{day.dli_mol_m2_d:.1f} mol/m²" for day in (today, changed))
        yield ("Light sum of the day", *sums)
    yield row("Highest temperature", "temperature_max_c", "°C", 1)


def _estimate(one: EstimatedValue, unit: str, decimals: int) -> str:
    """``24 mg/L (19 to 29)``; without the interval where it rounds to the value itself."""
    value, low, high = (f"{each:.{decimals}f}" for each in (one.value, one.low, one.high))
    shown = f"{value} {unit}".strip()
    return shown if low == high == value else f"{shown} ({low} to {high})"


def _stretches(
    canvas: Canvas, day: PredictedDay, on: npt.NDArray[np.bool_]
) -> tuple[tuple[float, float], ...]:
    """Start and width of the stretches in which something is on."""
    half = float(day.minute[1] - day.minute[0]) / 2
    found: list[tuple[float, float]] = []
    start: float | None = None
    minutes = [*day.minute.tolist(), DAY_MIN + half]
    for minute, is_on in zip(minutes, [*on.tolist(), False], strict=True):
        if is_on and start is None:
            start = canvas.x(minute - half)
        elif not is_on and start is not None:
            found.append((start, canvas.x(minute - half) - start))
            start = None
    return tuple(found)
