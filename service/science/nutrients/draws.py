"""Draws of what is not known of a nutrient: how they move in time, and how a test sifts them.

A particle filter with systematic resampling and the kernel of Liu & West 2001 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.science.numeric.checks import Floats
from service.science.numeric.estimate import Z95
from service.science.numeric.ranks import quantile
from service.science.nutrients.ranges import (
    DOSE_LOG_SD,
    TAP_SHARE_SD,
    TEST_SHARE_SD,
    UPTAKE_MEMORY_D,
    WRONG_TEST_SHARE,
    NutrientRange,
)

LEAST_EFFECTIVE: Final = 0.5
"""Draws are renewed once their weights leave less than this share of them effective. The usual
choice."""
KERNEL: Final = 0.15
"""Width of the kernel that renews draws, in standard deviations. Our choice."""
LONGEST_STEP_D: Final = 3.0
"""Uptake wanders within a longer step than this. Our choice."""

SHARES: Final = (0.025, 0.5, 0.975)
"""Of the draws below the ends of a 95 % interval and its middle."""


@dataclass
class Draws:
    """Draws of what is not known of one ion, (DRAWS,) each.

    ``weight`` is the share of each in all of them, by the tests; None where all count alike.
    """

    level: Floats
    uptake: Floats
    loss: Floats
    tap: Floats
    log_dose: Floats
    unknown: Floats
    weight: Floats | None


def drawn(
    what: NutrientRange, tap_mg_l: float | None, rng: np.random.Generator, size: int
) -> Draws:
    """So many draws from what is known beforehand."""
    least, most = what.uptake_mg_l_d
    slow, fast = what.loss_per_d
    if tap_mg_l is None:
        tap = what.tap_mg_l * rng.random(size)
    else:
        tap = np.maximum(tap_mg_l * (1 + TAP_SHARE_SD * rng.standard_normal(size)), 0.0)
    loss = np.zeros(size)
    if fast > 0:
        middle, spread = np.log(slow * fast) / 2, np.log(fast / slow) / (2 * Z95)
        loss = np.exp(middle + spread * rng.standard_normal(size))
    return Draws(
        level=what.start_mg_l * rng.random(size),
        uptake=(least + most) / 2 + (most - least) / (2 * Z95) * rng.standard_normal(size),
        loss=loss,
        tap=tap,
        log_dose=DOSE_LOG_SD * rng.standard_normal(size),
        unknown=what.dose_mg_l * rng.random(size),
        weight=None,
    )


def let_pass(state: Draws, what: NutrientRange, days: float, rng: np.random.Generator) -> None:
    """Let some days pass: uptake and loss, and uptake wanders."""
    if days <= 0:
        return
    least, most = what.uptake_mg_l_d
    middle, spread = (least + most) / 2, (most - least) / (2 * Z95)
    count = math.ceil(days / LONGEST_STEP_D)
    step = days / count
    keep = math.exp(-step / UPTAKE_MEMORY_D)
    wander = spread * math.sqrt(1 - keep * keep)
    decay, span = _left_and_span(state.loss, step) if what.loss_per_d[1] > 0 else (1.0, step)
    for _ in range(count):
        state.level = np.maximum(state.level * decay - state.uptake * span, 0.0)
        noise = wander * rng.standard_normal(state.uptake.size) + middle * (1 - keep)
        state.uptake = keep * state.uptake + noise


def _left_and_span(loss: Floats, days: float) -> tuple[Floats, Floats]:
    """The share that is left after some days, and the days that uptake works at this loss."""
    lost, rate = -np.expm1(-loss * days), np.where(loss > 0, loss, 1.0)
    return 1 - lost, np.where(loss > 0, lost / rate, days)


def widest_mg_l(what: NutrientRange, read: float) -> float:
    """Up to where a level is looked for, given what a test read, mg/L."""
    return 2 * max(what.start_mg_l, read)


def set_anew(state: Draws, share: float, most: float, rng: np.random.Generator) -> None:
    """Let a share of the draws have any level: one of them may be the truth that nobody logged."""
    count = round(share * state.level.size)
    state.level = state.level.copy()
    state.level[rng.choice(state.level.size, count, replace=False)] = most * rng.random(count)


def sift(state: Draws, what: NutrientRange, read: float, rng: np.random.Generator) -> None:
    """Weigh the draws by a test, and renew them where few are left."""
    error = np.hypot(what.test_sd_mg_l, TEST_SHARE_SD * state.level)
    agrees = np.exp(-0.5 * ((read - state.level) / error) ** 2) / (error * np.sqrt(2 * np.pi))
    anything = WRONG_TEST_SHARE / widest_mg_l(what, read)
    weight = (1 - WRONG_TEST_SHARE) * agrees + anything
    if state.weight is not None:
        weight *= state.weight
    weight /= weight.sum()
    size = weight.size
    if 1 / float(np.dot(weight, weight)) >= LEAST_EFFECTIVE * size:
        state.weight = weight
        return
    places = (np.arange(size) + rng.random()) / size
    chosen = np.minimum(np.searchsorted(np.cumsum(weight), places), size - 1)
    shrink = np.sqrt(1 - KERNEL**2)
    for name in ("level", "uptake", "loss", "tap", "log_dose", "unknown"):
        values = getattr(state, name)
        mean = float(np.dot(weight, values))
        spread = float(np.sqrt(np.dot(weight, (values - mean) ** 2)))
        noise = KERNEL * spread * rng.standard_normal(size)
        moved = mean + shrink * (values[chosen] - mean) + noise
        if name in ("level", "loss", "tap", "unknown"):
            moved = np.maximum(moved, 0.0)
        setattr(state, name, moved)
    state.weight = None


def quantiles(values: Floats, weight: Floats | None) -> Floats:
    """The 2.5, 50 and 97.5 % quantiles of at least 20 draws, weighted as ``Draws`` says."""
    if weight is None:  # sorting is several times as quick as telling the order
        ordered, size = np.sort(values), values.size
        # each draw stands for the middle of its share, as it does below
        return np.array([quantile(ordered, (one * size - 0.5) / (size - 1)) for one in SHARES])
    order = values.argsort()
    weight = weight[order]
    return np.interp(SHARES, weight.cumsum() - weight / 2, values[order])
