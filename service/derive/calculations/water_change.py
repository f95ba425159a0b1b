"""What water changes do: to the water at once, and to anything dissolved over several."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final, Unpack

import numpy as np

from service.derive.calculations.draws import Draws, estimate_of
from service.derive.calculations.measuring import Measured, Measuring
from service.derive.models.co2 import Array
from service.derive.models.quality import EstimatedValue
from service.science.carbonate.inputs import PH_RANGE
from service.science.carbonate.interval import unknown_ions
from service.science.carbonate.kh_test import MeasuredAlkalinity
from service.science.numeric.checks import OutOfRangeError
from service.science.water.carbonate import water_after_change
from service.science.water.change import (
    changes_for_target,
    concentration_after_changes,
    fraction_for_target,
    steady_state,
)
from service.science.water.hardness import MEQ_L_PER_DEGREE
from service.science.water.mix import new_water_range_c

ASSUMED_GH_MEQ_L: Final = 8 * MEQ_L_PER_DEGREE
GH_LIMITS_MEQ_L: Final = 7 * MEQ_L_PER_DEGREE
"""A GH that nobody tells is taken to lie from 1 to 15 dGH. Common practice, no source."""
OTHER_IONS_SD_PH: Final = 0.003
"""What ions beside GH do to the pH of a mix, by 100 mixtures computed by PHREEQC, rounded up."""
NO_GH: Final = (
    "GH is not known: 8 dGH is taken, give or take 7 dGH, and the intervals are wider for it"
)


@dataclass(frozen=True, slots=True)
class Water:
    """A water."""

    ph: float
    alkalinity_meq_l: float
    temperature_c: float
    gh_meq_l: float | None = None


@dataclass(frozen=True, slots=True)
class Dissolved:
    """Something dissolved that mixes in proportion, mg/L.

    Attributes:
        rise_mg_l: from one change to the next; below 0: used up.
    """

    name: str
    tank_mg_l: float
    new_mg_l: float
    target_mg_l: float | None = None
    rise_mg_l: float | None = None


@dataclass(frozen=True, slots=True)
class MixedWater:
    """The tank right after one change; None where no pH from 2 to 12 fits.

    Attributes:
        alkalinity_meq_l: KH as the same test would show it.
        assumptions: what was taken for granted, a sentence each.
    """

    ph: EstimatedValue | None
    alkalinity_meq_l: float
    gh_meq_l: float | None
    temperature_c: float
    co2_mg_l: EstimatedValue | None
    assumptions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DissolvedAfter:
    """One dissolved thing after the changes.

    Attributes:
        fraction: to change each time to reach the target; changes: of the fraction given.
        settles_mg_l: right after and right before each change, once it repeats itself.
    """

    name: str
    after_mg_l: float
    fraction: float | None = None
    changes: int | None = None
    settles_mg_l: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class WaterChange:
    """What one or several water changes do."""

    water_changed_l: float | None
    water: MixedWater | None
    new_temperature_c: tuple[float, float] | None
    substances: tuple[DissolvedAfter, ...]


def water_change(
    fraction: float,
    *,
    changes: int = 1,
    volume_l: float | None = None,
    tank: Water | None = None,
    new: Water | None = None,
    substances: Sequence[Dissolved] = (),
    **measured: Unpack[Measured],
) -> WaterChange:
    """What changing ``fraction`` of a tank once or several times does.

    Args:
        measured: how pH, KH and temperature of both waters were measured.

    Raises:
        OutOfRangeError: one water without the other, or a target out of reach.
    """
    water, welcome = None, None
    if tank is not None and new is not None:
        water = mixed_water(tank, new, fraction, Measuring(**measured))
        low, high = new_water_range_c(tank.temperature_c, fraction)
        welcome = (float(low), float(high))
    elif tank is not None or new is not None:
        missing = "new" if new is None else "tank"
        raise OutOfRangeError(missing, None, "both tank and new, or neither")
    return WaterChange(
        water_changed_l=None if volume_l is None else volume_l * fraction,
        water=water,
        new_temperature_c=welcome,
        substances=tuple(
            _dissolved(one, f"substances.{number}", fraction, changes)
            for number, one in enumerate(substances)
        ),
    )


def mixed_water(tank: Water, new: Water, fraction: float, measuring: Measuring) -> MixedWater:
    """The tank right after a change, pH and CO2 with 95 % intervals.

    Raises:
        OutOfRangeError: the GH of one water alone.
    """
    if (tank.gh_meq_l is None) != (new.gh_meq_l is None):
        missing = "tank" if tank.gh_meq_l is None else "new"
        raise OutOfRangeError(f"{missing}.gh_meq_l", None, "gh of both tank and new, or of neither")
    told = tank.gh_meq_l is not None
    draws = Draws()
    # one probe, one kit and one source of water: their errors are the same in tank and new water
    ph_error = _with_middle(0.0, draws.rectangular(0.0, measuring.ph_error))
    hardness = _with_middle(ASSUMED_GH_MEQ_L, draws.rectangular(ASSUMED_GH_MEQ_L, GH_LIMITS_MEQ_L))
    before, after = (
        {
            "ph": np.clip(one.ph + ph_error, *PH_RANGE),
            "alkalinity_meq_l": _alkalinity(draws, measuring.alkalinity(one.alkalinity_meq_l)),
            "temperature_c": one.temperature_c,
            "gh_meq_l": hardness if one.gh_meq_l is None else one.gh_meq_l,
        }
        for one in (tank, new)
    )
    found = water_after_change(
        **before, **{f"new_{name}": value for name, value in after.items()}, fraction=fraction
    )
    gh = float(concentration_after_changes(tank.gh_meq_l or 0.0, new.gh_meq_l or 0.0, fraction))
    other_ions = unknown_ions(("gh_meq_l",))
    ph = found.ph[1:] - ph_error[1:] + draws.normal(0.0, OTHER_IONS_SD_PH)
    co2 = found.co2_mg_l[1:] * np.exp(-draws.normal(other_ions.bias, other_ions.sd))
    return MixedWater(
        ph=estimate_of(float(found.ph[0]), ph),
        alkalinity_meq_l=float(
            concentration_after_changes(tank.alkalinity_meq_l, new.alkalinity_meq_l, fraction)
        ),
        gh_meq_l=gh if told else None,
        temperature_c=float(
            concentration_after_changes(tank.temperature_c, new.temperature_c, fraction)
        ),
        co2_mg_l=estimate_of(float(found.co2_mg_l[0]), co2),
        assumptions=(*measuring.assumptions(tank.alkalinity_meq_l), *(() if told else (NO_GH,))),
    )


def _with_middle(middle: float, drawn: Array) -> Array:
    """The value itself, then its draws."""
    return np.concatenate(([middle], drawn))


def _alkalinity(draws: Draws, measured: MeasuredAlkalinity) -> Array:
    return _with_middle(float(measured.value_meq_l), draws.alkalinity(measured))


def _dissolved(one: Dissolved, at: str, fraction: float, changes: int) -> DissolvedAfter:
    fraction_needed, changes_needed, settles = None, None, None
    after = float(concentration_after_changes(one.tank_mg_l, one.new_mg_l, fraction, changes))
    if one.target_mg_l is not None:
        way = (one.tank_mg_l, one.new_mg_l, one.target_mg_l)
        with _named({"target": f"{at}.target_mg_l"}):
            fraction_needed = float(fraction_for_target(*way, changes))
            needed = float(changes_for_target(*way, fraction))
        changes_needed = int(needed) if math.isfinite(needed) else None
    if one.rise_mg_l is not None:
        found = steady_state(one.new_mg_l, fraction, one.rise_mg_l)
        settles = (float(found.after), float(found.before))
    return DissolvedAfter(one.name, after, fraction_needed, changes_needed, settles)


@contextmanager
def _named(names: Mapping[str, str]) -> Iterator[None]:
    """Let a refusal of the science name the argument as our own caller did."""
    try:
        yield
    except OutOfRangeError as error:
        name = names.get(error.name, error.name)
        raise OutOfRangeError(name, error.value, error.allowed) from error
