"""Thresholds of practice: named, with default, unit and source; a tank may override each.

Here are those of derived values; those of the rules are in ``service.advice.engine.practice``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from service.registry.models.tank import Tank
from service.science.light.dose import OFF_LUX, ON_LUX
from service.science.sensors.ph_electrode import (
    CALIBRATION_DUE_DAYS,
    CALIBRATION_VALID_DAYS,
    DRIFT_PH_PER_30_DAYS,
    FRESH_SD_PH,
)

COMMON_PRACTICE: Final = "common practice, no source"
OUR_CHOICE: Final = "our choice"


@dataclass(frozen=True, slots=True)
class Threshold:
    """A number that practice sets and a tank may override.

    Attributes:
        name: key in the tank's ``thresholds``; ends in its unit.
        default: what holds without an override.
        unit: UCUM code; "1" for a share, "[pH]" for pH.
        text: what it decides, one line.
        source: published source, ``common practice, no source`` or ``our choice``.
        low, high: what an override may be, both ends included.
        subject: one of ``SUBJECTS``, by which they are listed.
    """

    name: str
    default: float
    unit: str
    text: str
    source: str = COMMON_PRACTICE
    low: float = 0.0
    high: float = math.inf
    subject: str = ""


SUBJECTS: Final = (
    "CO2",
    "Light",
    "Temperature",
    "Water",
    "Fertiliser",
    "Upkeep",
    "What was seen",
    "Sensors",
)
"""In the order in which thresholds are listed."""

MOST_BY_UNIT: Final = {
    "min": 10_080.0,
    "h": 720.0,
    "d": 3650.0,
    "wk": 104.0,
    "1": 10.0,
    "%": 100.0,
    "mg/L": 100.0,
    "K": 20.0,
    "K/h": 20.0,
    "cm": 300.0,
    "cm/wk": 100.0,
}
"""What an override may be at most, where its threshold does not say: beyond it is a slip."""


def table(subject: str, *rows: Threshold) -> dict[str, Threshold]:
    """The rows of a subject by name, each with an upper limit."""
    return {
        row.name: replace(
            row,
            subject=subject,
            high=row.high if math.isfinite(row.high) else MOST_BY_UNIT[row.unit],
        )
        for row in rows
    }


def by_subject(thresholds: Mapping[str, Threshold]) -> dict[str, Threshold]:
    """The same in the order of their subjects."""
    rows = sorted(thresholds.values(), key=lambda one: SUBJECTS.index(one.subject))
    return {one.name: one for one in rows}


DERIVED: Final[dict[str, Threshold]] = {
    **table(
        "CO2",
        Threshold("pair_gap_min", 120, "min",
                  "temperature is interpolated to a pH reading over gaps up to this", OUR_CHOICE, 1,
                  1440),
        Threshold("assumed_temperature_c", 24, "Cel",
                  "temperature taken for CO2 where none is measured", COMMON_PRACTICE, 0, 45),
        Threshold("assumed_temperature_sd_c", 2, "K",
                  "standard deviation of the temperature taken for CO2", OUR_CHOICE, 0, 10),
        Threshold("kh_test_valid_days", 30, "d", "a KH test older than this makes CO2 suspect",
                  COMMON_PRACTICE, 1, 3650),
        Threshold("newcomer_h", 48, "h", "after stocking the CO2 ceiling is lower for so long",
                  high=1000),
        Threshold("newcomer_fraction", 0.8, "1", "fraction of the CO2 ceiling that new animals get",
                  low=0.1, high=1),
    ),
    **table(
        "Light",
        Threshold("umol_per_lux", 0.0145, "umol/m2/s/lx",
                  "PPFD per lux of the tank's lamp; white LED unless a PAR meter says "
                  "otherwise", "CIE 15:2018 illuminants LED-B1, B3, B5, BH1", 0.005, 0.05),
        Threshold("lit_on_lux", ON_LUX, "lx", "above this the tank counts as lit", OUR_CHOICE, 1,
                  1e5),
        Threshold("lit_off_lux", OFF_LUX, "lx", "at or below this it is dark", OUR_CHOICE, 0, 1e5),
        Threshold("lit_min_on_min", 5, "min", "a shorter flash does not count as lit", OUR_CHOICE,
                  0, 120),
        Threshold("lit_min_off_min", 10, "min", "a shorter dark break does not end the photoperiod",
                  OUR_CHOICE, 0, 120),
    ),
    **table(
        "Temperature",
        Threshold("excursion_hysteresis_c", 0.3, "K",
                  "an excursion is over once temperature is back inside by this much", OUR_CHOICE,
                  0, 5),
        Threshold("excursion_min_min", 20, "min", "a shorter excursion is left out", OUR_CHOICE, 0,
                  1440),
        Threshold("degree_hours_base_c", 20, "Cel", "base of the degree-hours while lit",
                  OUR_CHOICE, 0, 40),
    ),
    **table(
        "Sensors",
        Threshold("stale_ph_min", 30, "min", "a pH reading older than this gives no CO2",
                  OUR_CHOICE, 1, 1440),
        Threshold("stale_temperature_min", 60, "min",
                  "a temperature reading older than this is not the present one", OUR_CHOICE, 1,
                  1440),
        Threshold("stale_light_min", 30, "min",
                  "a light reading older than this is not the present one", OUR_CHOICE, 1, 1440),
        Threshold("ph_calibration_due_days", CALIBRATION_DUE_DAYS, "d",
                  "a pH calibration older than this is to be repeated", OUR_CHOICE, 1, 3650),
        Threshold("ph_calibration_valid_days", CALIBRATION_VALID_DAYS, "d",
                  "a pH calibration older than this makes CO2 suspect", COMMON_PRACTICE, 1, 3650),
        Threshold("ph_calibration_sd", FRESH_SD_PH, "[pH]",
                  "standard deviation of a fresh two-point calibration in buffers of 0.02 pH",
                  COMMON_PRACTICE, 0, 1),
        Threshold("ph_drift_per_month", DRIFT_PH_PER_30_DAYS, "[pH]",
                  "how far a glass electrode may drift in a month, one standard deviation; "
                  "what its own recalibrations found counts beside it, unless it is set here",
                  "recalibrations of a sonde in a river: A. S. Jones et al. 2022", 0, 1),
        Threshold("ph_drift_doubt", 0.1, "[pH]",
                  "a pH probe that has drifted by more, by the tank's own mornings, makes CO2 "
                  "suspect", OUR_CHOICE, 0.02, 3),
    ),
}  # fmt: skip


STALE_NAME: Final = {
    "ph": "stale_ph_min",
    "temperature": "stale_temperature_min",
    "ppfd": "stale_light_min",
    "illuminance": "stale_light_min",
    "conductivity": "stale_temperature_min",
    "dissolved_oxygen": "stale_temperature_min",
}
"""By quantity, the threshold of the age up to which a reading is the present one."""


def derived_limit(tank: Tank, name: str) -> float:
    """The value in force for a tank: its own, else the default of ``DERIVED``.

    Raises:
        KeyError: no such threshold; a fault of the program.
    """
    default = DERIVED[name].default
    return float(tank.thresholds.get(name, default))
