"""What water changes do: to the water at once, and to anything dissolved over several."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from service.science.numeric.checks import OutOfRangeError
from service.science.water.carbonate import water_after_change
from service.science.water.change import (
    changes_for_target,
    concentration_after_changes,
    fraction_for_target,
    steady_state,
)
from service.science.water.mix import new_water_range_c


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
    """The tank right after one change; None where no pH from 2 to 12 fits."""

    ph: float | None
    alkalinity_meq_l: float
    gh_meq_l: float | None
    temperature_c: float
    co2_mg_l: float | None


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
) -> WaterChange:
    """What changing ``fraction`` of a tank once or several times does.

    Raises:
        OutOfRangeError: one water without the other, or a target out of reach.
    """
    water, welcome = None, None
    if tank is not None and new is not None:
        water = _mixed(tank, new, fraction)
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


def _mixed(tank: Water, new: Water, fraction: float) -> MixedWater:
    if (tank.gh_meq_l is None) != (new.gh_meq_l is None):
        missing = "tank" if tank.gh_meq_l is None else "new"
        raise OutOfRangeError(f"{missing}.gh_meq_l", None, "gh of both tank and new, or of neither")
    found = water_after_change(
        tank.ph,
        tank.alkalinity_meq_l,
        tank.temperature_c,
        new_ph=new.ph,
        new_alkalinity_meq_l=new.alkalinity_meq_l,
        new_temperature_c=new.temperature_c,
        fraction=fraction,
        gh_meq_l=tank.gh_meq_l,
        new_gh_meq_l=new.gh_meq_l,
    )
    return MixedWater(
        ph=_known(found.ph),
        alkalinity_meq_l=float(found.alkalinity_meq_l),
        gh_meq_l=None if found.gh_meq_l is None else float(found.gh_meq_l),
        temperature_c=float(found.temperature_c),
        co2_mg_l=_known(found.co2_mg_l),
    )


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


def _known(value: Any) -> float | None:
    number = float(value)
    return None if math.isnan(number) else number
