"""What a day would be like with other settings, from the tank's own fitted gas exchange.

The question, the answer, and the way between; the physics is in ``day_model``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from service.derive.co2.kh_kit import measured_by
from service.derive.co2.series import liquid_c
from service.derive.co2.target import target_of
from service.derive.gas_exchange import gas_exchange
from service.derive.inhabitants.tolerance import tolerance_of
from service.derive.inputs import Inputs
from service.derive.models.co2 import Array
from service.derive.models.light import LightDay
from service.derive.models.quality import EstimatedValue
from service.derive.models.tank_view import TankView
from service.derive.prediction.day_model import (
    STEP_MIN,
    STEPS,
    Band,
    Course,
    Draws,
    Setting,
    band,
    daily_profile,
    drawn,
    estimate,
    setting_of,
    settled_day,
)
from service.derive.prediction.growing_day import GrowingDay, growing_day
from service.derive.prediction.question import Question, asked_tank, check_question
from service.derive.tank_view import tank_view
from service.errors import ConflictError
from service.registry.models.tank import Tank
from service.science.carbonate.co2 import ph_for_co2
from service.science.nutrients.limits import MAX_KH_STEP_DKH
from service.science.water.change import steady_state
from service.store.model import Samples

PRODUCTION_LOG_SD: Final = 0.3
"""How far the nitrate that animals make may be off where the stock changes. Our choice."""


@dataclass(frozen=True, slots=True)
class PredictedDay:
    """A settled day, local time.

    Attributes:
        minute: (288,) minutes since midnight, the middle of each step.
        lit, gas: (288,) whether the lamp and the gas are on.
        co2, ph, temperature: (288,) with 95 % interval.
        light_h: hours of light.
        light_h_within, light_h_below: hours of it with CO2 within and below target.
        co2_at_lights_on, co2_peak: mg/L.
        ph_lowest, ph_highest: of the day.
        above_ceiling_min: minutes with CO2 above what the animals tolerate.
        ceiling_mg_l, target_low_mg_l, target_high_mg_l: what it is judged by.
        temperature_max_c: highest temperature.
        dli_mol_m2_d: daily light integral; None without a light sensor.
        gas_g: gas dissolved in the day; None without a volume.
        no3_ratio: nitrate that the water changes settle at, as a multiple of today's; None
            where animals are to come and none are registered to compare them with.
        growing: light, CO2 and warmth as plants see them.
    """

    minute: Array
    lit: npt.NDArray[np.bool_]
    gas: npt.NDArray[np.bool_]
    co2: Band
    ph: Band
    temperature: Band
    light_h: float
    light_h_within: EstimatedValue
    light_h_below: EstimatedValue
    co2_at_lights_on: EstimatedValue
    co2_peak: EstimatedValue
    ph_lowest: EstimatedValue
    ph_highest: EstimatedValue
    above_ceiling_min: EstimatedValue
    ceiling_mg_l: float | None
    target_low_mg_l: float
    target_high_mg_l: float
    temperature_max_c: EstimatedValue
    dli_mol_m2_d: float | None
    gas_g: EstimatedValue | None
    no3_ratio: EstimatedValue | None
    growing: GrowingDay


@dataclass(frozen=True, slots=True)
class Answer:
    """Today's settled day next to the one asked for, and what to mind."""

    today: PredictedDay
    changed: PredictedDay
    notes: tuple[str, ...]


def predicted_day(inputs: Inputs, question: Question) -> Answer:
    """Predict a settled day with other settings from what was loaded; errors as ``what_if``.

    Args:
        inputs: of the last ``FIT_DAYS`` days.
    """
    view = tank_view(inputs, gas=gas_exchange(inputs))
    return what_if(view, inputs.series("temperature"), question)


def what_if(view: TankView, temperature: Samples, question: Question) -> Answer:
    """Predict a settled day as it is and as it would be.

    Args:
        view: with a fitted gas exchange.
        temperature: usable samples of the last days.

    Raises:
        ConflictError: the gas exchange could not be fitted, or KH is not known.
        InvalidInputError: a setting out of its range.
    """
    check_question(question)
    gas, kh = view.gas, view.co2.kh
    if gas is None or gas.fit is None or gas.lead_h is None:
        why = "it was not fitted yet" if gas is None else gas.reason
        raise ConflictError(f"no prediction without the tank's gas exchange: {why}")
    if kh is None:
        raise ConflictError("no prediction without KH: log a KH test")
    tank = view.tank
    profile = daily_profile(tank, temperature)
    at_present = float(kh.measured.value_meq_l)
    asked = question.kh_meq_l
    meq_l = at_present if asked is None else float(measured_by(tank.kh_kit, asked).value_meq_l)
    changed_tank = asked_tank(tank, question)
    now = setting_of(tank, 1.0, 1.0)
    factors = (question.injection_factor, question.surface_factor)
    then = setting_of(changed_tank, *factors)
    draws = drawn(view, gas.fit, now, profile)
    today = settled_day(tank, now, now, draws, profile)
    changed = settled_day(tank, then, now, draws, profile)
    return Answer(
        _predicted(view, tank, now, today, draws, at_present, Question()),
        _predicted(view, changed_tank, then, changed, draws, meq_l, question),
        tuple(_notes(view, changed_tank, question)),
    )


def _predicted(
    view: TankView,
    tank: Tank,
    setting: Setting,
    course: Course,
    draws: Draws,
    meq_l: float,
    question: Question,
) -> PredictedDay:
    """Judge a course: by the target of the plants and the ceiling of the animals."""
    tolerance = tolerance_of(tank, view.log, view.now)
    ceiling_mg_l = tolerance.co2_max_mg_l
    target = target_of(tank, tolerance.co2_comfortable_mg_l)
    hours = STEP_MIN / 60
    lit, co2 = setting.lit, course.co2
    within = (co2 >= target.low_mg_l) & (co2 <= target.high_mg_l)
    above = co2 > (np.inf if ceiling_mg_l is None else ceiling_mg_l)
    first_lit = int(np.argmax(lit & ~np.roll(lit, 1))) if lit.any() else 0
    volume_l, dli = view.net_volume_l, _dli(view, setting)
    grams = draws.injection * setting.injection * setting.gas.sum() * hours / 1000
    value = band(co2)
    ph = _ph(value, meq_l, course.temperature[0], tank.gh_meq_l)
    return PredictedDay(
        minute=np.asarray((np.arange(STEPS) + 0.5) * STEP_MIN, np.float64),
        lit=lit,
        gas=setting.gas,
        co2=value,
        ph=ph,
        temperature=band(course.temperature),
        light_h=float(lit.sum() * hours),
        light_h_within=estimate((within & lit).sum(axis=1) * hours),
        light_h_below=estimate(((co2 < target.low_mg_l) & lit).sum(axis=1) * hours),
        co2_at_lights_on=estimate(co2[:, first_lit]),
        co2_peak=estimate(co2.max(axis=1)),
        ph_lowest=EstimatedValue(*(float(one.min()) for one in (ph.value, ph.low, ph.high))),
        ph_highest=EstimatedValue(*(float(one.max()) for one in (ph.value, ph.low, ph.high))),
        above_ceiling_min=estimate(above.sum(axis=1) * float(STEP_MIN)),
        ceiling_mg_l=ceiling_mg_l,
        target_low_mg_l=target.low_mg_l,
        target_high_mg_l=target.high_mg_l,
        temperature_max_c=estimate(course.temperature.max(axis=1)),
        dli_mol_m2_d=dli,
        gas_g=None if volume_l is None else estimate(grams * volume_l),
        no3_ratio=_no3_ratio(view.tank, question),
        growing=growing_day(lit, co2, course.temperature, dli, tank.targets),
    )


def _ph(co2: Band, meq_l: float, celsius: Array, gh_meq_l: float | None) -> Band:
    """pH of a course of CO2; more CO2 is a lower pH."""
    value, most, least = (
        ph_for_co2(np.maximum(one, 0.01), max(meq_l, 1e-3), liquid_c(celsius), gh_meq_l=gh_meq_l)
        for one in (co2.value, co2.low, co2.high)
    )
    return Band(value, least, most)


def _dli(view: TankView, setting: Setting) -> float | None:
    """Daily light integral, in proportion to the hours of the last full day."""
    full: list[LightDay] = [
        one for one in view.light_days if one.complete and one.lit and one.dli_mol_m2_d
    ]
    if not full or not full[-1].photoperiod_h:
        return None
    hours = float(setting.lit.sum()) * STEP_MIN / 60
    return (full[-1].dli_mol_m2_d or 0.0) * hours / full[-1].photoperiod_h


def _no3_ratio(tank: Tank, question: Question) -> EstimatedValue | None:
    """Nitrate before a change, at rest, against today's; production goes with the animals."""
    plan = tank.water_change
    fraction = question.water_change_fraction or plan.fraction
    every = question.water_change_every_days or plan.every_days
    now = sum(stock.count for stock in tank.animals)
    more = sum(stock.count for stock in question.animals)
    if more and not now:
        return None
    production = (now + more) / now if now else 1.0
    at_rest = steady_state(0.0, fraction, production * every).before
    today = steady_state(0.0, plan.fraction, plan.every_days).before
    ratio = float(at_rest / today)
    spread = float(np.exp(1.96 * PRODUCTION_LOG_SD)) if more else 1.0
    return EstimatedValue(ratio, ratio / spread, ratio * spread)


def _notes(view: TankView, asked: Tank, question: Question) -> list[str]:
    """What to mind with the answer."""
    notes = [
        "A settled day like the fitted ones: no clogging, no weather. Change one thing at a time "
        "and look at the animals; Littoral is no safety device."
    ]
    if asked.gas.start is None:
        notes.append("CO2 is not switched by plan: it is taken to be on all day.")
    if question.surface_factor != 1.0:
        notes.append("More surface movement also brings in oxygen and takes out CO2 at night.")
    if question.kh_meq_l is not None:
        notes.append(
            f"KH moves pH, not CO2: change it by no more than {MAX_KH_STEP_DKH:g} dKH a day."
        )
    if question.animals:
        notes.append("New animals get a lower CO2 ceiling at first; add few at a time.")
        if not view.tank.animals:
            notes.append("No animals are registered, so nitrate can't be compared.")
    if not view.light_days:
        notes.append("No light is measured: the plan's hours count.")
    return notes
