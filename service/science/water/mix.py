"""Mixing the new water: hot with cold to a temperature, tap with reverse-osmosis to a hardness."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from service.science.numeric.checks import Floats, as_floats, as_number, refuse_where

MAX_TEMPERATURE_STEP_C: Final = 1.0
"""Largest step of the tank's temperature by a water change. Common practice, no source."""


def mixed_temperature_c(
    fraction: ArrayLike, temperature_c: ArrayLike, other_temperature_c: ArrayLike
) -> Floats:
    """Temperature of a mix of which `fraction` (0-1) is at `temperature_c`, the rest at the other.

    Heat balance with equal heat capacities, no loss to vessel or air; °C.
    """
    share = as_floats("fraction", fraction, low=0, high=1)
    one = as_floats("temperature_c", temperature_c, low=0, high=100)
    other = as_floats("other_temperature_c", other_temperature_c, low=0, high=100)
    return np.asarray(share * one + (1 - share) * other)


def hot_fraction(target_c: ArrayLike, cold_c: ArrayLike, hot_c: ArrayLike) -> Floats:
    """Share of hot water in a mix of cold and hot that comes out at `target_c`.

    Raises
    ------
    OutOfRangeError: hot not warmer than cold, or a target that the two cannot reach.
    """
    cold = as_floats("cold_c", cold_c, low=0, high=100)
    hot = as_floats("hot_c", hot_c, low=0, high=100)
    aim = as_floats("target_c", target_c, low=0, high=100)
    refuse_where(hot <= cold, "hot_c", hot, "warmer than the cold water")
    refuse_where((aim < cold) | (aim > hot), "target_c", aim, "from cold to hot water")
    return np.asarray((aim - cold) / (hot - cold))


class HotCold(NamedTuple):
    """Litres of hot and of cold water."""

    hot_l: Floats
    cold_l: Floats


def hot_and_cold_l(
    litres: ArrayLike, target_c: ArrayLike, cold_c: ArrayLike, hot_c: ArrayLike
) -> HotCold:
    """Litres of hot and cold that make `litres` at `target_c`; errors as `hot_fraction`.

    Water from a heated cylinder may carry copper or limescale: cold water warmed apart is safer.
    """
    total = as_floats("litres", litres, low=0, unit="L")
    hot = total * hot_fraction(target_c, cold_c, hot_c)
    return HotCold(np.asarray(hot), np.asarray(total - hot))


class TemperatureRange(NamedTuple):
    """Lowest and highest temperature, °C."""

    low_c: Floats
    high_c: Floats


def new_water_range_c(
    tank_c: ArrayLike, fraction: ArrayLike, max_step_c: ArrayLike = MAX_TEMPERATURE_STEP_C
) -> TemperatureRange:
    """Temperature the new water may have so that the tank steps by `max_step_c` at most.
    tank +- step / fraction: a small change forgives more than a large one.

    Shapes broadcast.

    Parameters
    ----------
    tank_c: temperature of the tank, 0-50.  fraction: share changed, above 0, up to 1.
    max_step_c: largest step of the tank, K, >= 0.
    """
    tank = as_floats("tank_c", tank_c, low=0, high=50, unit="°C")
    share = as_floats("fraction", fraction, above=0, high=1)
    reach = as_floats("max_step_c", max_step_c, low=0, unit="K") / share
    return TemperatureRange(np.maximum(tank - reach, 0.0), np.asarray(tank + reach))


@dataclass(frozen=True)
class Blend:
    """Tap water diluted with softer water towards a KH and a GH, all in meq/L.

    tap_fraction: share of tap water, 0-1.  kh_meq_l, gh_meq_l: of the blend.
    kh_short_meq_l, gh_short_meq_l: what salts must add to reach the target; 0 if reached.
    kh_over_meq_l, gh_over_meq_l: excess that no such blend avoids; 0 but where the soft water
    itself is above the target.
    """

    tap_fraction: float
    kh_meq_l: float
    gh_meq_l: float
    kh_short_meq_l: float
    gh_short_meq_l: float
    kh_over_meq_l: float
    gh_over_meq_l: float


def blend_for_hardness(
    *,
    tap_kh_meq_l: float,
    tap_gh_meq_l: float,
    target_kh_meq_l: float,
    target_gh_meq_l: float,
    soft_kh_meq_l: float = 0.0,
    soft_gh_meq_l: float = 0.0,
) -> Blend:
    """Largest share of tap water with which neither KH nor GH exceeds its target.

    Salts can add what is short afterwards; nothing takes out what is too much.

    Parameters
    ----------
    tap_*, target_*: alkalinity (KH) and hardness (GH) in meq/L, >= 0.
    soft_*: those of the reverse-osmosis or rain water.

    Raises
    ------
    OutOfRangeError: a negative value.
    """
    tap = _pair("tap", tap_kh_meq_l, tap_gh_meq_l)
    soft = _pair("soft", soft_kh_meq_l, soft_gh_meq_l)
    aim = _pair("target", target_kh_meq_l, target_gh_meq_l)
    share = 1.0
    for of_tap, of_soft, wanted in zip(tap, soft, aim, strict=True):
        if of_tap > wanted:
            reached = (wanted - of_soft) / (of_tap - of_soft) if of_tap > of_soft else 0.0
            share = min(share, max(reached, 0.0))
    kh, gh = (share * t + (1 - share) * s for t, s in zip(tap, soft, strict=True))
    return Blend(
        tap_fraction=share,
        kh_meq_l=kh,
        gh_meq_l=gh,
        kh_short_meq_l=max(aim[0] - kh, 0.0),
        gh_short_meq_l=max(aim[1] - gh, 0.0),
        kh_over_meq_l=max(kh - aim[0], 0.0),
        gh_over_meq_l=max(gh - aim[1], 0.0),
    )


def _pair(name: str, kh_meq_l: float, gh_meq_l: float) -> tuple[float, float]:
    return (
        as_number(f"{name}_kh_meq_l", kh_meq_l, low=0, unit="meq/L"),
        as_number(f"{name}_gh_meq_l", gh_meq_l, low=0, unit="meq/L"),
    )
