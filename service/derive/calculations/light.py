"""Lux to photons, the dose of a day, and what reaches a depth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.science.light.calibration import calibrate_lux
from service.science.light.depth import (
    SURFACE_TRANSMISSION,
    fit_attenuation,
    ppfd_at_depth,
)
from service.science.light.dose import UMOL_PER_LUX, dli_from_constant_ppfd, ppfd_from_lux
from service.science.numeric.checks import OutOfRangeError

USUAL_SOURCE: Final = "white LED"
CLEAR_WATER_PER_M: Final = 0.5


@dataclass(frozen=True, slots=True)
class Photons:
    """A constant light as photons: µmol/m²/s, and mol/m²/d where its photoperiod is known."""

    ppfd_umol_m2_s: float
    dli_mol_m2_d: float | None
    ppfd_at_depth_umol_m2_s: float | None
    dli_at_depth_mol_m2_d: float | None
    umol_per_lux: float | None
    reasons: tuple[str, ...]


def photons(
    *,
    illuminance_lux: float | None = None,
    ppfd_umol_m2_s: float | None = None,
    source: str | None = None,
    umol_per_lux: float | None = None,
    photoperiod_h: float | None = None,
    depth_cm: float | None = None,
    attenuation_per_m: float = CLEAR_WATER_PER_M,
) -> Photons:
    """Photon flux and daily light integral of a light given as lux or as photon flux.

    Raises:
        OutOfRangeError: both or none of lux and photon flux, or of source and factor.
    """
    if umol_per_lux is not None and source is not None:
        raise OutOfRangeError("umol_per_lux", umol_per_lux, "this or source")
    reasons = []
    factor, ppfd = umol_per_lux, ppfd_umol_m2_s
    if illuminance_lux is not None and ppfd is None:
        if factor is None:
            source = source or USUAL_SOURCE
            factor = UMOL_PER_LUX[source]
            reasons.append(f"the factor is that of {source}; lamps of mixed colours need their own")
        ppfd = float(ppfd_from_lux(illuminance_lux, factor))
    elif illuminance_lux is None and ppfd is not None:
        factor = None
    else:
        raise OutOfRangeError("illuminance_lux", illuminance_lux, "this or ppfd, one of them")
    deep = None
    if depth_cm is not None:
        deep = float(
            ppfd_at_depth(
                ppfd, depth_cm, attenuation_per_m, surface_transmission=SURFACE_TRANSMISSION
            )
        )
        reasons.append("below a small lamp the light spreads too: measure where it matters")
    dli, dli_deep = _dli(ppfd, photoperiod_h), _dli(deep, photoperiod_h)
    return Photons(ppfd, dli, deep, dli_deep, factor, tuple(reasons))


@dataclass(frozen=True, slots=True)
class LightPair:
    """A lux sensor's reading and that of a PAR meter in the same place."""

    illuminance_lux: float
    ppfd_umol_m2_s: float


@dataclass(frozen=True, slots=True)
class DepthReading:
    """Photon flux at a depth below the surface."""

    depth_cm: float
    ppfd_umol_m2_s: float


@dataclass(frozen=True, slots=True)
class SensorFactor:
    """µmol/m²/s per lx with its 95 % interval; relative scatter of the pairs, None for one."""

    umol_per_lux: float
    low: float
    high: float
    scatter: float | None


@dataclass(frozen=True, slots=True)
class Attenuation:
    """Attenuation per metre with its 95 % interval, None from two depths; light at the surface."""

    attenuation_per_m: float
    low_per_m: float | None
    high_per_m: float | None
    surface_umol_m2_s: float


def light_sensor(*, pairs: Sequence[LightPair]) -> SensorFactor:
    """A lux sensor's own factor from readings beside a PAR meter.

    Raises:
        OutOfRangeError: no pair, or a reading that is not positive.
    """
    found = calibrate_lux(
        [pair.illuminance_lux for pair in pairs], [pair.ppfd_umol_m2_s for pair in pairs]
    )
    scatter = found.scatter if math.isfinite(found.scatter) else None
    return SensorFactor(found.umol_per_lux, found.low, found.high, scatter)


def light_attenuation(*, points: Sequence[DepthReading]) -> Attenuation:
    """Attenuation of light in a tank from readings at several depths.

    Raises:
        OutOfRangeError: fewer than two depths, or a reading that is not positive.
    """
    depths = [point.depth_cm for point in points]
    if len(set(depths)) < 2:
        raise OutOfRangeError("points", f"{len(points)} of one depth", "two depths or more")
    found = fit_attenuation(depths, [point.ppfd_umol_m2_s for point in points])
    known = math.isfinite(found.low_per_m)
    return Attenuation(
        found.attenuation_per_m,
        found.low_per_m if known else None,
        found.high_per_m if known else None,
        found.surface_ppfd,
    )


def _dli(ppfd: float | None, hours: float | None) -> float | None:
    if ppfd is None or hours is None:
        return None
    return float(dli_from_constant_ppfd(ppfd, hours))
