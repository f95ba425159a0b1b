"""Mixing waters: tap with softer water towards a hardness, hot with cold towards a temperature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.science.water.mix import Blend, blend_for_hardness, hot_and_cold_l

HOT_WATER: Final = (
    "water above 45 Cel scalds; let cold water in first and stir",
    "water from a heated cylinder may carry copper, which kills shrimps and snails",
)


@dataclass(frozen=True, slots=True)
class Hardness:
    """KH and GH of a water, meq/L."""

    kh_meq_l: float
    gh_meq_l: float


@dataclass(frozen=True, slots=True)
class BlendVolumes:
    """A blend, and the litres of each water in it where its volume is known."""

    blend: Blend
    tap_l: float | None
    soft_l: float | None


@dataclass(frozen=True, slots=True)
class HotAndCold:
    """Litres of hot and of cold water."""

    hot_l: float
    cold_l: float
    cautions: tuple[str, ...] = HOT_WATER


PURE: Final = Hardness(0.0, 0.0)


def blend(
    tap: Hardness, target: Hardness, *, soft: Hardness = PURE, volume_l: float | None = None
) -> BlendVolumes:
    """The blend with the most tap water in which neither hardness exceeds its target."""
    found = blend_for_hardness(
        tap_kh_meq_l=tap.kh_meq_l,
        tap_gh_meq_l=tap.gh_meq_l,
        target_kh_meq_l=target.kh_meq_l,
        target_gh_meq_l=target.gh_meq_l,
        soft_kh_meq_l=soft.kh_meq_l,
        soft_gh_meq_l=soft.gh_meq_l,
    )
    if volume_l is None:
        return BlendVolumes(found, None, None)
    return BlendVolumes(found, volume_l * found.tap_fraction, volume_l * (1 - found.tap_fraction))


def hot_and_cold(volume_l: float, target_c: float, cold_c: float, hot_c: float) -> HotAndCold:
    """How much hot and cold water makes ``volume_l`` of water of ``target_c``."""
    found = hot_and_cold_l(volume_l, target_c, cold_c, hot_c)
    return HotAndCold(float(found.hot_l), float(found.cold_l))
