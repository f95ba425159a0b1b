"""The closed form of first-order exchange with the air, to check fits and simulations against.

dC/dt = injection - k (C - equilibrium)
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def co2_after(
    start_mg_l: float,
    hours: ArrayLike,
    k_per_h: float,
    injection_mg_l_h: float,
    equilibrium_mg_l: float,
) -> NDArray[np.float64]:
    """CO2, mg/L, after some hours at constant exchange (k = 0: a sealed tank) and injection."""
    elapsed = np.asarray(hours, dtype=np.float64)
    if k_per_h == 0:
        return start_mg_l + injection_mg_l_h * elapsed
    steady = equilibrium_mg_l + injection_mg_l_h / k_per_h
    return steady + (start_mg_l - steady) * np.exp(-k_per_h * elapsed)
