"""What is known of a nutrient before anything is measured: wide ranges, each with its source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final


@dataclass(frozen=True)
class NutrientRange:
    """Ranges of a nutrient in a planted tank that nobody has tested.

    Attributes
    ----------
    start_mg_l: level at the beginning of the log, from 0 to this, all alike.
    tap_mg_l: of tap water nobody knows, from 0 to this, all alike.
    uptake_mg_l_d: net uptake, 95 % of tanks: what plants take less what animals and food give.
    loss_per_d: share lost in a day beside, as of iron that precipitates, 95 % of tanks.
    dose_mg_l: what a dose of unknown content adds, from 0 to this, all alike.
    test_sd_mg_l: standard deviation of a colour test at low values.
    tap_source, uptake_source: where the ranges come from.
    """

    start_mg_l: float
    tap_mg_l: float
    uptake_mg_l_d: tuple[float, float]
    loss_per_d: tuple[float, float]
    dose_mg_l: float
    test_sd_mg_l: float
    tap_source: str
    uptake_source: str


_PRACTICE: Final = "common practice, no source"

RANGES: Final[Mapping[str, NutrientRange]] = MappingProxyType(
    {
        "NO3": NutrientRange(
            50.0, 50.0, (-2.0, 5.0), (0.0, 0.0), 20.0, 2.0,
            "up to 50 mg/L: Directive (EU) 2020/2184, annex I B",
            f"{_PRACTICE}; below 0 where animals give more than plants take",
        ),
        "PO4": NutrientRange(
            4.0, 3.0, (-0.15, 0.4), (0.0, 0.0), 2.0, 0.1,
            "dosed against lead at 1 to 2 mg/L P in places: from memory; up to 3 mg/L taken",
            _PRACTICE,
        ),
        "K": NutrientRange(
            40.0, 12.0, (-0.3, 1.5), (0.0, 0.0), 20.0, 2.0,
            "mostly below 12 mg/L, the limit of Directive 80/778/EEC: from memory",
            _PRACTICE,
        ),
        "Fe": NutrientRange(
            0.5, 0.2, (0.0, 0.02), (0.1, 0.7), 0.5, 0.03,
            "up to 0.2 mg/L: Directive (EU) 2020/2184, annex I C",
            f"a chelate lasts one to seven days: {_PRACTICE}",
        ),
    }
)  # fmt: skip
"""By ion, as test kits name them."""

TEST_SHARE_SD: Final = 0.2
"""Standard deviation of a colour test as a share of its value. Common practice, no source."""

WRONG_TEST_SHARE: Final = 0.05
"""So many tests say nothing: old reagents, a misread colour. Our choice."""

UNLOGGED_SHARE: Final = 0.02
"""Before so many tests something came that nobody logged: a powder, much food. Less than
WRONG_TEST_SHARE, so that one strange test is rather a wrong one, and two alike are not. Our choice.
"""

UNUSUAL_SHARE: Final = 0.5
"""Where the first test reads more than a usual tank holds, so many tanks have any level. Our
choice."""

TAP_SHARE_SD: Final = 0.15
"""Standard deviation of a known tap water value, as a share: it differs from week to week. Our
choice."""

DOSE_LOG_SD: Final = 0.1
"""Logarithmic standard deviation of what a dose adds: net volume, measuring spoon and label. It is
the same for all doses of a tank. Our choice."""

UPTAKE_MEMORY_D: Final = 120.0
"""After so many days uptake has little to do with what it was: plants grow and are cut. Our
choice."""
