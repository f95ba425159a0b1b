"""Limits of the quality checks, by quantity: what a working sensor in a tank can show.

All numbers here are common practice, no source, unless one is named: they are chosen wide enough
that a working home-made sensor does not reach them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Limits:
    """Numbers of one quantity, in its canonical unit.

    Attributes:
        step: the least jump that can be a spike; None: jumps are normal (light is switched).
        excursion: the least short excursion that is found once it is over; None as ``step``.
        drift_h: how fast the water itself can change, per hour (gas on or off, lamp, heater).
        still_band, still_s: no movement beyond the band for so long: stuck.
        still_at_zero: staying at zero is normal: night, or a dead lamp, which is no dead sensor.
        still_near: staying within ``NEAR`` of this is normal.
        coarse: steps of common displays, the finest and the coarsest, of which a sound sensor may
            show one value for weeks.
        apart, apart_share: sensors of one tank that differ by more than the larger of the two
            (the share is of the reading) disagree; None: they measure at different places.
    """

    step: float | None
    excursion: float | None
    drift_h: float
    still_band: float
    still_s: float
    still_at_zero: bool = False
    still_near: float | None = None
    coarse: tuple[float, float] = (math.inf, 0.0)
    apart: float | None = None
    apart_share: float = 0.0


_DAY_S: Final = 86_400.0
#: A day and a night, and two hours for a lamp that is not switched to the minute.
_LAMP_DAY_S: Final = 93_600.0

#: Freezing water stays at 0 °C, and a plain thermometer is off by up to half a degree.
NEAR: Final = 0.5

LIMITS: Final[dict[str, Limits]] = {
    # Heater hysteresis and the lamp move a tank by more than a tenth of a kelvin every day.
    "temperature": Limits(
        0.5,
        0.3,
        drift_h=3.0,
        still_band=0.01,
        still_s=_DAY_S,
        still_near=0.0,
        coarse=(0.2, 1.0),
        apart=1.0,
    ),
    # Half of the excursion would be a tenth of the CO2.
    "ph": Limits(
        0.15, 0.05, drift_h=1.5, still_band=0.005, still_s=_DAY_S, coarse=(0.1, 0.1), apart=0.3
    ),
    "illuminance": Limits(
        None, None, drift_h=0.0, still_band=0.0, still_s=_LAMP_DAY_S, still_at_zero=True
    ),
    "ppfd": Limits(
        None, None, drift_h=0.0, still_band=0.0, still_s=_LAMP_DAY_S, still_at_zero=True
    ),
    "conductivity": Limits(
        25.0,
        5.0,
        drift_h=25.0,
        still_band=0.5,
        still_s=3 * _DAY_S,
        coarse=(5.0, 10.0),
        apart=20.0,
        apart_share=0.1,
    ),
    "dissolved_oxygen": Limits(
        0.5, 0.25, drift_h=2.0, still_band=0.02, still_s=_DAY_S, coarse=(0.25, 0.5), apart=1.0
    ),
}
