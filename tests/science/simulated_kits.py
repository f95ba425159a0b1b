"""Test kits, probes and thermometers as a simulation uses them: what they show of a true value.

Nothing of the program is used here, so that its intervals can be held against it.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from service.science.numeric.checks import Floats

PROBES: Final = ("calibrated", "limits of 0.1", "two months old")
KITS: Final = ("drops of 1 dKH", "drops of 0.5 dKH", "syringe of 0.1 dKH", "strip of 3 dKH")

MOST_DROPS: Final = 60


def drops_until_the_colour_turns(alkalinity_dkh: Floats, drop_dkh: Floats) -> Floats:
    """A kit as a person uses it: one drop after the other until the acid is enough."""
    added, drops = np.zeros(alkalinity_dkh.shape), np.zeros(alkalinity_dkh.shape)
    for _ in range(MOST_DROPS):
        not_yet = added < alkalinity_dkh
        added = np.where(not_yet, added + drop_dkh, added)
        drops = np.where(not_yet, drops + 1, drops)
    return drops


def kit_shows_dkh(kit: str, true_dkh: Floats, rng: np.random.Generator) -> Floats:
    """What a kit shows of a true carbonate hardness, dKH.

    A bottle's drops are up to 5 % off, all alike; a strip's fields are mistaken for each other as
    by a normal error of a quarter of their distance.
    """
    bottle = 1 + rng.uniform(-0.05, 0.05, true_dkh.size)
    if kit.startswith("drops"):
        step = 1.0 if "of 1 " in kit else 0.5
        return step * drops_until_the_colour_turns(true_dkh, step * bottle)
    if kit.startswith("syringe"):
        return np.round(true_dkh / bottle, 1)
    seen = true_dkh + rng.normal(0, 0.75, true_dkh.size)
    return np.maximum(3.0 * np.round(seen / 3.0), 0.0)


def probe_error_ph(probe: str, size: int, rng: np.random.Generator) -> Floats:
    """By how much a probe reads off, pH."""
    if probe == "limits of 0.1":
        return rng.uniform(-0.1, 0.1, size)
    drift = 0.06 if probe == "two months old" else 0.0
    return rng.normal(0, 0.02, size) + rng.normal(0, np.hypot(0.025, drift), size)
