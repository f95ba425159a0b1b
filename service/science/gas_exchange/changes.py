"""What may have changed a tank's gas, what did, and why nothing can be fitted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal


class FitError(ValueError):
    """The series does not hold what the fit needs; the message says what is missing."""


@dataclass(frozen=True)
class Hints:
    """When the log has something that may have changed the gas, unix seconds.

    ``exchange_s``: what moves water or surface, such as a cleaned filter. ``injection_s``: valve,
    timer, cylinder, calibration of pH.
    """

    exchange_s: tuple[float, ...] = ()
    injection_s: tuple[float, ...] = ()


NO_HINTS: Final = Hints()


@dataclass(frozen=True)
class GasChange:
    """A change for good that was found: of what, since when, from and to (1/h or mg/L/h)."""

    of: Literal["exchange", "injection"]
    since_s: float
    before: float
    after: float
