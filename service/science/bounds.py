"""Bounds on arguments: an impossible value raises, NaN passes as "not known"."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def within(
    name: str,
    value: ArrayLike,
    *,
    above: float | None = None,
    at_least: float | None = None,
    below: float | None = None,
    at_most: float | None = None,
) -> FloatArray:
    """Return `value` as a float64 array after checking each element against the bounds.

    Parameters
    ----------
    name: what the argument is called, for the message.
    value: number or array of any shape; NaN passes.
    above, below: exclusive bounds.  at_least, at_most: inclusive bounds.

    Raises
    ------
    ValueError: names the parameter, the first offending value and what is allowed.
    """
    array = np.asarray(value, dtype=np.float64)
    wrong = np.isinf(array)
    if above is not None:
        wrong |= array <= above
    if at_least is not None:
        wrong |= array < at_least
    if below is not None:
        wrong |= array >= below
    if at_most is not None:
        wrong |= array > at_most
    if np.any(wrong):
        bounds = (
            (above, "above {:g}"),
            (at_least, "at least {:g}"),
            (below, "below {:g}"),
            (at_most, "at most {:g}"),
        )
        allowed = [text.format(bound) for bound, text in bounds if bound is not None]
        first = float(array[wrong][0]) if array.ndim else float(array)
        raise ValueError(f"{name} is {first:g}; allowed: {' and '.join(allowed) or 'finite'}")
    return array


def number(
    name: str,
    value: float,
    *,
    above: float | None = None,
    at_least: float | None = None,
    below: float | None = None,
    at_most: float | None = None,
) -> float:
    """Return one `value` as a float, checked like `within`; NaN is refused too."""
    array = within(name, value, above=above, at_least=at_least, below=below, at_most=at_most)
    if array.ndim or np.isnan(array):
        raise ValueError(f"{name} is {value!r}; allowed: one number")
    return float(array)
