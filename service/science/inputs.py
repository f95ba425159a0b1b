"""Checks of what enters a science function: one wording for every refusal."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def as_floats(
    name: str,
    value: ArrayLike,
    *,
    low: float = -np.inf,
    high: float = np.inf,
    unit: str = "",
) -> Floats:
    """Return ``value`` as float64, refusing what is outside ``low`` to ``high``.

    Parameters: ``name`` the parameter as the caller wrote it; ``value`` any shape;
    ``low``, ``high`` inclusive limits; ``unit`` for the message.
    Returns: float64 array of the same shape; NaN passes through (a missing reading).
    Raises: ValueError naming the parameter, the first offending value and what is allowed.
    """
    try:
        floats = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{name}: {value!r} is not a number or an array of numbers") from error
    if floats.size == 0:
        return floats
    # fmin/fmax skip NaN and need no mask of their own: two passes, no temporary arrays
    smallest, largest = np.fmin.reduce(floats, axis=None), np.fmax.reduce(floats, axis=None)
    if smallest < low or largest > high or np.isinf(smallest) or np.isinf(largest):
        offending = smallest if smallest < low or np.isneginf(smallest) else largest
        raise ValueError(f"{name}: {offending:g} is outside {_allowed(low, high, unit)}")
    return floats


def _allowed(low: float, high: float, unit: str) -> str:
    suffix = f" {unit}" if unit else ""
    if np.isfinite(low) and np.isfinite(high):
        return f"{low:g} to {high:g}{suffix}"
    if np.isfinite(low):
        return f"the finite numbers from {low:g}{suffix}"
    if np.isfinite(high):
        return f"the finite numbers up to {high:g}{suffix}"
    return f"the finite numbers{suffix}"
