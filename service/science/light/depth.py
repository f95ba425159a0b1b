"""Light under water: weakening with depth, and the coefficient from readings at several depths.

    E(z) = E(0) exp(-K z)

K is the vertical attenuation coefficient of diffuse light, Kd(PAR) in limnology (Kirk 2011, Light
and Photosynthesis in Aquatic Ecosystems). In a tank the beam also spreads below a small lamp and is
mirrored by the glass, so a K found from readings in the tank describes that tank, not its water.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.numeric.checks import Floats, OutOfRangeError, as_floats, refuse_where
from service.science.numeric.estimate import students_t_975

CM_PER_M: Final = 100.0
WATER_REFRACTIVE_INDEX: Final = 1.333
"""Fresh water at 20 °C, 589 nm (IAPWS R9-97; from memory)."""

SURFACE_TRANSMISSION: Final = 1 - ((WATER_REFRACTIVE_INDEX - 1) / (WATER_REFRACTIVE_INDEX + 1)) ** 2
"""Share of light from straight above that enters a calm surface, 0.980 (Fresnel)."""


def ppfd_at_depth(
    ppfd_umol_m2_s: ArrayLike,
    depth_cm: ArrayLike,
    attenuation_per_m: ArrayLike,
    *,
    surface_transmission: ArrayLike = 1.0,
) -> Floats:
    """PPFD at a depth by the law of Beer and Lambert.
    Shapes broadcast.

    Parameters
    ----------
    ppfd_umol_m2_s: PPFD at the surface, >= 0, just below it; for a sensor in air give
        `surface_transmission` as `SURFACE_TRANSMISSION`.
    depth_cm: depth below the surface, >= 0.
    attenuation_per_m: K in 1/m, >= 0: about 0.2 in the clearest lakes, 0.5-1 in clear ones,
        3-10 in a bloom of algae; 1-4 where humic acids stain the water (from memory).

    Raises
    ------
    OutOfRangeError: a negative argument, a transmission outside 0-1.
    """
    ppfd = as_floats("ppfd_umol_m2_s", ppfd_umol_m2_s, low=0, unit="µmol/m²/s")
    depth = as_floats("depth_cm", depth_cm, low=0, unit="cm")
    k = as_floats("attenuation_per_m", attenuation_per_m, low=0, unit="1/m")
    entering = as_floats("surface_transmission", surface_transmission, low=0, high=1)
    return np.asarray(ppfd * entering * np.exp(-k * depth / CM_PER_M))


@dataclass(frozen=True)
class LightProfile:
    """Attenuation fitted to readings at several depths, with its 95 % interval (1/m).

    The interval is infinite with two readings only. `surface_ppfd` in µmol/m²/s.
    """

    attenuation_per_m: float
    low_per_m: float
    high_per_m: float
    surface_ppfd: float


def fit_attenuation(depth_cm: ArrayLike, ppfd_umol_m2_s: ArrayLike) -> LightProfile:
    """Fit K and the light at the surface to PPFD read at several depths.

    Least squares on the logarithm, so each reading counts by its relative error.

    Parameters
    ----------
    depth_cm: depths (n,), >= 0, at least two different ones.
    ppfd_umol_m2_s: PPFD at each (n,), above 0. Pairs with a NaN are left out.

    Raises
    ------
    OutOfRangeError: unequal lengths, a reading that is not positive, fewer than two depths.
    """
    depth = as_floats("depth_cm", depth_cm, low=0, unit="cm")
    ppfd = as_floats("ppfd_umol_m2_s", ppfd_umol_m2_s, above=0, unit="µmol/m²/s")
    if depth.ndim != 1 or depth.shape != ppfd.shape:
        raise OutOfRangeError("ppfd_umol_m2_s", ppfd.tolist(), f"as many as depths, {depth.size}")
    known = ~np.isnan(depth + ppfd)
    z, log_ppfd = depth[known] / CM_PER_M, np.log(ppfd[known])
    distinct = len(set(z.tolist()))
    refuse_where(distinct < 2, "number of depths", distinct, "2 and more")
    centred = z - z.mean()
    spread = float(np.dot(centred, centred))
    slope = float(np.dot(centred, log_ppfd)) / spread
    level = float(log_ppfd.mean()) - slope * float(z.mean())
    half = np.inf
    if z.size > 2:
        residual = log_ppfd - level - slope * z
        scatter = float(np.dot(residual, residual)) / (z.size - 2)
        half = students_t_975(z.size - 2) * float(np.sqrt(scatter / spread))
    return LightProfile(-slope, -slope - half, -slope + half, float(np.exp(level)))
