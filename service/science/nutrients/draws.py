"""Draws of what is not known of a nutrient: how they move in time, and how a test sifts them.

A particle filter with systematic resampling and the kernel of Liu & West 2001 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from service.science.numeric.checks import Floats
from service.science.numeric.estimate import Z95
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


@dataclass
class Draws:
    """Draws of what is not known of one ion, (DRAWS,) each, with the logarithm of their weight."""

    level: Floats
    uptake: Floats
    loss: Floats
    tap: Floats
    log_dose: Floats
    unknown: Floats
    log_weight: Floats


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
        log_weight=np.zeros(size),
    )


def let_pass(state: Draws, what: NutrientRange, days: float, rng: np.random.Generator) -> None:
    """Let some days pass: uptake and loss, and uptake wanders."""
    if days <= 0:
        return
    least, most = what.uptake_mg_l_d
    middle, spread = (least + most) / 2, (most - least) / (2 * Z95)
    count = int(np.ceil(days / LONGEST_STEP_D))
    step = days / count
    keep = np.exp(-step / UPTAKE_MEMORY_D)
    wander = spread * np.sqrt(1 - keep * keep)
    decay = np.exp(-state.loss * step)
    rate = np.where(state.loss > 0, state.loss, 1.0)
    span = np.where(state.loss > 0, -np.expm1(-state.loss * step) / rate, step)
    for _ in range(count):
        state.level = np.maximum(state.level * decay - state.uptake * span, 0.0)
        noise = wander * rng.standard_normal(state.uptake.size)
        state.uptake = middle + (state.uptake - middle) * keep + noise


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
    state.log_weight += np.log((1 - WRONG_TEST_SHARE) * agrees + anything)
    state.log_weight -= state.log_weight.max()
    weight = np.exp(state.log_weight)
    weight /= weight.sum()
    size = weight.size
    if 1 / float(np.dot(weight, weight)) >= LEAST_EFFECTIVE * size:
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
    state.log_weight = np.zeros(size)


def quantiles(values: Floats, log_weight: Floats) -> Floats:
    """The 2.5, 50 and 97.5 % quantiles of weighted draws."""
    order = np.argsort(values)
    weight = np.exp(log_weight[order] - log_weight.max())
    share = (np.cumsum(weight) - weight / 2) / weight.sum()
    return np.interp((0.025, 0.5, 0.975), share, values[order])
