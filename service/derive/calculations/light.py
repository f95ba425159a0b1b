"""Lux to photons, the dose of a day, and what reaches a depth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.science.light.depth import SURFACE_TRANSMISSION, ppfd_at_depth
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


def _dli(ppfd: float | None, hours: float | None) -> float | None:
    if ppfd is None or hours is None:
        return None
    return float(dli_from_constant_ppfd(ppfd, hours))
