"""Limits of what is accepted, not of what is good: beyond them it is a slip of pen or unit."""

from __future__ import annotations

from typing import Final

NAME_LENGTH: Final = 200
NOTE_LENGTH: Final = 10_000
ID_LENGTH: Final = 64

LONGEST_CM: Final = 10_000.0
TALLEST_PLANT_CM: Final = 1000.0
MOST_L: Final = 1_000_000.0
MOST_KH_MEQ_L: Final = 20.0  # 56 dKH
MOST_SAMPLE_ML: Final = 1000.0  # of a test
MOST_GH_MEQ_L: Final = 40.0
MOST_CO2_MG_L: Final = 200.0
MOST_DLI_MOL_M2_D: Final = 100.0
MOST_NUTRIENT_MG_L: Final = 1000.0
MOST_ORGANIC_CARBON_MG_L: Final = 100.0
COLDEST_C: Final = 0.0
WARMEST_C: Final = 45.0
HOTTEST_C: Final = 95.0  # of a hot tap
LOWEST_PH: Final = 3.0
HIGHEST_PH: Final = 11.0
MOST_DOSE: Final = 10_000.0  # mL or g per 100 L
MOST_ITEMS: Final = 100
MOST_SALTS: Final = 20  # in one bottle
MOST_SALT_G: Final = 1e6
MOST_CYLINDER_G: Final = 100_000.0
MOST_ANIMALS: Final = 100_000
MOST_ABSENCES: Final = 1000
LONGEST_ABSENCE_DAYS: Final = 366  # a sheet lists each of its days
MOST_POINTS: Final = 20  # of a calibration
