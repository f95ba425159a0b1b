"""Checks of the arguments of science functions, and the error that refuses one."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_LONGEST = 60


class OutOfRangeError(ValueError):
    """An argument that a function of the science refuses.

    Attributes
    ----------
    name: of the parameter, as the function's caller wrote it.
    value: what was given; of an array its first wrong element.
    allowed: what is allowed, in words.
    """

    def __init__(self, name: str, value: object, allowed: str) -> None:
        super().__init__(name, value, allowed)
        self.name, self.value, self.allowed = name, value, allowed

    def __str__(self) -> str:
        return f"{self.name} is {_shown(self.value)}; allowed: {self.allowed}"


def as_floats(
    name: str,
    value: ArrayLike,
    *,
    low: float = -np.inf,
    high: float = np.inf,
    above: float = -np.inf,
    below: float = np.inf,
    unit: str = "",
) -> Floats:
    """Return ``value`` as float64, refusing what is outside ``low`` to ``high``.

    Parameters
    ----------
    name: the parameter as the caller wrote it.
    value: any shape.
    low, high: inclusive limits.
    above, below: exclusive ones, in place of the inclusive one on that side.
    unit: for the message.

    Returns
    -------
    float64 array of the same shape; NaN passes through (a missing reading).

    Raises
    ------
    OutOfRangeError: with the first offending value.
    """
    if isinstance(value, float) and low <= value <= high and above < value < below:
        return np.array(value)  # one number, as most are: a tenth of the time
    try:
        floats = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise OutOfRangeError(name, value, "a number or an array of numbers") from error
    if floats.size == 0:
        return floats
    # fmin/fmax skip NaN and need no mask of their own: two passes, no temporary arrays
    smallest, largest = np.fmin.reduce(floats, axis=None), np.fmax.reduce(floats, axis=None)
    too_small = smallest < low or smallest <= above
    if too_small or largest > high or largest >= below:
        offending = smallest if too_small else largest
        allowed = _allowed(max(low, above), min(high, below), unit, above >= low, below <= high)
        raise OutOfRangeError(name, float(offending), allowed)
    return floats


def as_number(
    name: str,
    value: float,
    *,
    low: float = -np.inf,
    high: float = np.inf,
    above: float = -np.inf,
    below: float = np.inf,
    unit: str = "",
) -> float:
    """Return one ``value`` as a float, checked like ``as_floats``; arrays and NaN are refused."""
    if isinstance(value, float) and low <= value <= high and above < value < below:
        return float(value)
    number = as_floats(name, value, low=low, high=high, above=above, below=below, unit=unit)
    if number.ndim or np.isnan(number):
        raise OutOfRangeError(name, value, "one number")
    return float(number)


def refuse_where(wrong: ArrayLike, name: str, value: ArrayLike, allowed: str) -> None:
    """Raise for the first element of ``value`` at which ``wrong`` is True.
    For limits that depend on other arguments; ``wrong`` must be False where an input is NaN.

    Raises
    ------
    OutOfRangeError: with that element, the parameter and what is allowed.
    """
    marks, floats = np.broadcast_arrays(np.asarray(wrong), np.asarray(value, dtype=np.float64))
    if marks.any():
        raise OutOfRangeError(name, float(floats[marks].flat[0]), allowed)


def _allowed(low: float, high: float, unit: str, open_low: bool, open_high: bool) -> str:
    suffix = f" {unit}" if unit else ""
    if (open_low and np.isfinite(low)) or (open_high and np.isfinite(high)):
        lower = f"{'above' if open_low else 'from'} {low:g}" if np.isfinite(low) else ""
        upper = f"{'below' if open_high else 'up to'} {high:g}" if np.isfinite(high) else ""
        return f"a number {' and '.join(part for part in (lower, upper) if part)}{suffix}"
    if np.isfinite(low) and np.isfinite(high):
        return f"{low:g} to {high:g}{suffix}"
    if np.isfinite(low):
        return f"a number from {low:g}{suffix}"
    if np.isfinite(high):
        return f"a number up to {high:g}{suffix}"
    return f"a finite number{suffix}"


def _shown(value: object) -> str:
    """A value short enough for a message, a number with the digits that tell it from a limit."""
    text = f"{value:.12g}" if isinstance(value, float) else repr(value)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"
