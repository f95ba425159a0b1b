"""Whether gas is switched by pH (a controller) instead of by the clock.

Gas by the clock lets CO2 approach its level ever more slowly, and lets it dip when the lamp comes
on. A controller holds it: CO2 rises at the pace that exchange and injection give, stops at its
level at once and stays there. To a fit by the clock that looks like an exchange that is far quicker
by day than at night. So a tank is taken to be steered where the two exchanges differ and the held
course is as near to what was seen as the best course by the clock. A controller that hardly ever
closes the gas is not found; there the fit by the clock holds.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from service.science.gas_exchange.rise_equations import risen
from service.science.gas_exchange.rises import Rises
from service.science.gas_exchange.rows import Rows
from service.science.numeric.checks import Floats
from service.science.numeric.ranks import median_seen

LEVEL_SHARE: Final = 0.6
"""The last share of a day's gas gives its level."""
NEAR_LN: Final = 0.05
"""A rise ends where ln CO2 is within this of the level."""
LEAST_DELTA: Final = 0.35
"""By how much ln k by day has to differ from that of the nights. Our choice."""
LEAST_RATIO: Final = 0.9
"""Sum of squares by the clock over that of the held course. On simulated tanks gas by the clock
whose exchanges differ so much gives less than 0.85, a controller mostly more. Our choice."""
LEAST_DAYS: Final = 2
LEAST_BINS: Final = 12


def held_by_ph(rows: Rows, rises: Rises, ln_k_night: Floats, excess_mg_l: float) -> bool:
    """Whether the days look held at a level by a controller.

    Parameters
    ----------
    rows, ln_k_night, excess_mg_l: as in ``fit_rises``.
    rises: fitted to them with a free exchange by day: the best that gas by the clock can do.
    """
    if abs(rises.delta) < LEAST_DELTA or len(rows) < LEAST_DAYS:
        return False
    held, used = _held_course(rows, ln_k_night, excess_mg_l)
    by_clock = _of_the_middle_day(rises.residual, used)
    by_level = _of_the_middle_day(rows.ln_co2 - held, used)
    if by_clock.size < LEAST_BINS:
        return False
    return float(by_clock @ by_clock) > LEAST_RATIO * float(by_level @ by_level)


def _held_course(rows: Rows, ln_k_night: Floats, excess_mg_l: float) -> tuple[Floats, Floats]:
    """ln CO2 of a rise at the nights' exchange that stops at the day's level; bins to judge."""
    known = rows.known > 0.0
    counts = rows.known.sum(axis=1)
    late = known & (np.arange(known.shape[1]) >= np.floor((1.0 - LEVEL_SHARE) * counts)[:, None])
    level = median_seen(np.where(late, rows.ln_co2, np.nan), axis=1)
    # the rise: the bins before the first that is at the level
    below = known & (rows.ln_co2 < (level - NEAR_LN)[:, None])
    rising = np.cumprod(below, axis=1).astype(float)
    enough = rising.sum(axis=1) >= 2
    course = np.log(risen(rows, rising, ln_k_night, excess_mg_l))
    ln_course = np.where(enough[:, None], course, level[:, None])
    used = rows.known * np.where(enough[:, None], 1.0, 1.0 - rising)
    return np.minimum(ln_course, level[:, None]), used


def _of_the_middle_day(residual: Floats, used: Floats) -> Floats:
    """Median over the days of the residuals at each bin since the gas came on: noise falls out."""
    counts = (used > 0.0).sum(axis=0)
    enough = counts >= max(LEAST_DAYS, 0.5 * float(counts.max()))
    seen = np.where(used > 0.0, residual, np.nan)[:, enough]
    return median_seen(seen, axis=0) if enough.any() else np.empty(0)
