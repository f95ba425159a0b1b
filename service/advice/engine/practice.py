"""The thresholds of practice that the rules use: name, default, unit, what it decides, source.

Every one can be set per tank, in the tank's ``thresholds``. docs/practice.md lists them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from service.derive.thresholds import (
    COMMON_PRACTICE,
    DERIVED,
    OUR_CHOICE,
    Threshold,
    by_subject,
    table,
)
from service.errors import FieldFault, InvalidInputError
from service.registry.models.tank import Tank
from service.science.nutrients.limits import MAX_KH_STEP_DKH
from service.science.water.mix import MAX_TEMPERATURE_STEP_C

_CO2: Final = table(
    "CO2",
    Threshold("co2_low_lit_min", 60, "min", "lit minutes below target in 24 h that are too many"),
    Threshold("co2_low_tail_min", 90, "min", "minutes below target allowed before lights-off"),
    Threshold(
        "co2_high_hold_min", 15, "min", "CO2 above the ceiling for so long is reported", OUR_CHOICE
    ),
    Threshold(
        "co2_high_day_min", 30, "min", "minutes above the ceiling in 24 h, even if over", OUR_CHOICE
    ),
    Threshold("co2_step_fraction", 0.2, "1", "most by which to change the CO2 flow at a time"),
    Threshold("gas_late_min", 30, "min", "target reached so long after lights-on: CO2 too late"),
    Threshold("gas_early_min", 90, "min", "target reached so long before lights-on: CO2 too early"),
    Threshold("gas_margin_min", 15, "min", "aim: target reached so long before lights-on"),
    Threshold("gas_earlier_max_min", 180, "min", "most by which to move the CO2 times at a time",
              OUR_CHOICE),
    Threshold("co2_high_probability", 0.8, "1",
              "CO2 above the ceiling with this probability is urgent", OUR_CHOICE, 0.5, 0.99),
    Threshold("co2_urgent_factor", 1.15, "1",
              "so far above the ceiling CO2 is urgent however wide its interval", OUR_CHOICE, 1),
    Threshold("co2_unsteady_fraction", 0.2, "1", "spread of the daily CO2 while lit", OUR_CHOICE,
              0.02, 2),
    Threshold("night_fall_fraction", 0.25, "1",
              "CO2 falls by more than this in a night with CO2 off", OUR_CHOICE, 0.01, 0.9),
    Threshold("gas_out_mg_l", 8, "mg/L", "CO2 that never rises above this by day: none flows"),
    Threshold("gas_start_min", 60, "min", "CO2 that has not risen so long after it was switched on",
              OUR_CHOICE, 20, 240),
    Threshold("gas_start_fraction", 0.25, "1",
              "a rise of less than this fraction of the usual is none", OUR_CHOICE, 0.01, 0.9),
    Threshold("kh_doubt_factor", 1.5, "1", "a KH test older by this factor puts CO2 in doubt",
              OUR_CHOICE, 1, 10),
    Threshold("slope_low_percent", 92, "%", "electrode slope below this part of Nernst's is low",
              COMMON_PRACTICE, 50, 100),
    Threshold("co2_comfort_min", 120, "min",
              "minutes of CO2 tolerable but not comfortable in 24 h that are remarked on",
              OUR_CHOICE),
)  # fmt: skip
_LIGHT: Final = table(
    "Light",
    Threshold(
        "light_grace_min", 30, "min", "lamp may come on or go off so much late", OUR_CHOICE, 1, 720
    ),
    Threshold(
        "photoperiod_tolerance_min", 45, "min", "photoperiod may differ so much from its plan",
        OUR_CHOICE, 1, 720,
    ),
    Threshold("light_shift_min", 45, "min", "lamp on so much early or late by its plan: shifted",
              OUR_CHOICE, 5, 720),
    Threshold("dli_tolerance_fraction", 0.15, "1",
              "daily light may leave its range by this fraction", OUR_CHOICE, 0, 1),
    Threshold("dli_days", 3, "d", "full days of light that are averaged", OUR_CHOICE, 1, 7),
    Threshold("light_very_long_min", 240, "min", "lamp on so much too long: warning", OUR_CHOICE),
    Threshold("photoperiod_shortest_h", 6, "h", "rather dim the lamp than light for less",
              COMMON_PRACTICE, 1, 24),
    Threshold("photoperiod_longest_h", 10, "h", "light is not made longer than this",
              COMMON_PRACTICE, 1, 24),
    Threshold("co2_below_fraction_for_light", 0.5, "1",
              "at strong light, CO2 below target for more than this fraction feeds algae",
              COMMON_PRACTICE, 0, 1),
    Threshold("settling_weeks", 3, "wk", "shorter photoperiod so long after a set-up or replant"),
    Threshold("settling_hours", 6, "h", "photoperiod meanwhile", COMMON_PRACTICE, 1, 24),
    Threshold("settling_step_h", 0.5, "h/wk", "light added each week afterwards, up to the plan",
              COMMON_PRACTICE, 0.05, 24),
    Threshold("settling_fraction", 0.4, "1", "a replant of this fraction counts like a set-up",
              high=1),
)  # fmt: skip
_TEMPERATURE: Final = table(
    "Temperature",
    Threshold(
        "temperature_urgent_c", 2, "K", "so far outside the range it is urgent", OUR_CHOICE, 0.1, 20
    ),
    Threshold("temperature_worth_c", 0.3, "K",
              "so little outside the range, or to be moved, nothing is worth doing", OUR_CHOICE,
              0, 2),
    Threshold(
        "temperature_recent_h", 24, "h", "an excursion over for less is still reported", OUR_CHOICE
    ),
    Threshold(
        "temperature_step_max_c", MAX_TEMPERATURE_STEP_C, "K",
        "most by which a water change should move temperature",
    ),
    Threshold("temperature_rate_max_c_h", 1, "K/h", "animals should not see a faster change"),
    Threshold("comfort_h", 12, "h",
              "temperature tolerable but not comfortable for so long is remarked on", OUR_CHOICE),
    Threshold("forecast_probability", 0.8, "1", "a forecast excursion is reported from this on",
              OUR_CHOICE, 0.5, 1),
    Threshold("forecast_horizon_h", 6, "h", "a forecast excursion is reported so long ahead",
              OUR_CHOICE, 1, 12),
    Threshold("cooling_margin_c", 1, "K", "an unheated tank so near its lower limit is reported"),
    Threshold("cooling_days", 3, "d", "fall of the daily minimum over so many days", OUR_CHOICE,
              2, 7),
    Threshold("oxygen_low_mg_l", 5, "mg/L", "measured oxygen below this is low",
              "US EPA 1986, Quality criteria for water, warm waters (from memory)"),
    Threshold("oxygen_saturation_low_mg_l", 7.6, "mg/L",
              "water that can hold less than this at its temperature leaves little for the night"),
    Threshold("no_more_gas_c", 30, "Cel", "from this on low oxygen forbids more CO2",
              COMMON_PRACTICE, 15, 40),
)  # fmt: skip
_WATER: Final = table(
    "Water",
    Threshold("work_fraction", 0.2, "1", "trim or replant of this fraction counts as major work",
              high=1),
    Threshold("work_change_fraction", 0.5, "1", "fraction to change after major work", high=1),
    Threshold("work_window_days", 3, "d", "after so long, work no longer calls for a change"),
    Threshold("change_overdue_fraction", 0.5, "1",
              "overdue by this fraction of the interval: warning"),
    Threshold("change_counts_fraction", 0.6, "1", "a change of this fraction of the plan counts"),
    Threshold("kh_step_max_dkh", MAX_KH_STEP_DKH, "1",
              "most degrees of KH by which water changes should move KH in a day",
              COMMON_PRACTICE, 0.1, 20),
    Threshold("remedy_days", 90, "d",
              "so long after salt or a remedy old water is not for plants", OUR_CHOICE),
)  # fmt: skip
_FERTILISER: Final = table(
    "Fertiliser",
    Threshold("dose_window_days", 2, "d", "a dose is due for so long after the change", low=0.1),
    Threshold("dose_double_factor", 1.5, "1", "more than this times the planned dose is too much"),
    Threshold("no3_low_mg_l", 5, "mg/L", "plants go short of nitrate below this"),
    Threshold("po4_low_mg_l", 0.2, "mg/L", "plants go short of phosphate below this"),
    Threshold("k_low_mg_l", 5, "mg/L", "plants go short of potassium below this"),
    Threshold("fe_low_mg_l", 0.05, "mg/L", "plants go short of iron below this"),
)  # fmt: skip
_UPKEEP: Final = table(
    "Upkeep",
    Threshold("prefilter_days", 14, "d", "rinse the pre-filter so often", low=1),
    Threshold("filter_days", 60, "d", "clean the filter so often", low=1),
    Threshold("upkeep_overdue_factor", 2, "1",
              "upkeep late by this factor is advice, no longer a mere reminder", OUR_CHOICE, 1),
    Threshold("stem_growth_cm_week", 0, "cm/wk", "growth of the fastest stems; 0: not known"),
    Threshold("stem_height_cm", 15, "cm", "height that a trim leaves, where not logged"),
    Threshold("stem_clear_cm", 3, "cm", "stems should end so far below the surface"),
    Threshold("height_weeks", 8, "wk", "a logged height of a plant counts for so long", OUR_CHOICE,
              1),
    Threshold("surface_weeks", 1, "wk", "a plant that reaches the surface so soon is reported",
              OUR_CHOICE),
    Threshold("cover_cm", 5, "cm", "a plant taller by this than one behind it hides it", OUR_CHOICE,
              1),
    Threshold("cylinder_notice_days", 7, "d", "an emptying CO2 cylinder is reported so early"),
    Threshold("gas_dissolved_fraction", 0.5, "1",
              "fraction of the CO2 that dissolves; the rest escapes", COMMON_PRACTICE, 0.05, 1),
)  # fmt: skip
_OBSERVED: Final = table(
    "What was seen",
    Threshold("observation_days", 10, "d", "an observation counts for so long", OUR_CHOICE, 1, 60),
    Threshold("observation_weeks", 6, "wk", "a rise is judged against so many weeks before",
              OUR_CHOICE, 1, 26),
    Threshold("algae_level", 2, "1", "algae from this level on are worth a measure", OUR_CHOICE,
              1, 5),
    Threshold("algae_light_h", 8, "h", "light that is longer is shortened where algae rise",
              COMMON_PRACTICE, 4, 24),
    Threshold("leaves_level", 2, "1", "pale, holed or melting leaves count from this level on",
              OUR_CHOICE, 1, 5),
    Threshold("melting_weeks", 4, "wk", "leaves that melt so long after planting: wait"),
    Threshold("gasping_h", 12, "h", "breathing at the surface counts for so long", OUR_CHOICE, 1,
              72),
    Threshold("gasping_level", 2, "1", "breathing at the surface counts from this level on",
              OUR_CHOICE, 1, 5),
    Threshold("gasping_urgent_level", 3, "1", "and is urgent from this level on", OUR_CHOICE, 1, 5),
    Threshold("losses_level", 2, "1", "losses from this level on ask for a water change",
              OUR_CHOICE, 1, 5),
    Threshold("hydra_level", 1, "1", "Hydra from this level on are remarked on", OUR_CHOICE, 1, 5),
    Threshold("without_fish_weeks", 3, "wk", "so long without fish small animals multiply"),
)  # fmt: skip
_SENSORS: Final = table(
    "Sensors",
    Threshold("sensor_silent_min", 60, "min", "no reading for so long: silent", OUR_CHOICE, 5),
    Threshold("sensor_retired_days", 14, "d",
              "a sensor silent for longer counts as taken out where another measures the same",
              OUR_CHOICE, 1),
    Threshold("ph_disagree", 0.2, "[pH]", "two pH probes further apart disagree", COMMON_PRACTICE,
              0.02, 3),
    Threshold("temperature_disagree_c", 0.8, "K", "two thermometers further apart disagree",
              COMMON_PRACTICE, 0.1, 10),
)  # fmt: skip

RULES_USE: Final[dict[str, Threshold]] = {
    **_CO2,
    **_LIGHT,
    **_TEMPERATURE,
    **_WATER,
    **_FERTILISER,
    **_UPKEEP,
    **_OBSERVED,
    **_SENSORS,
}

THRESHOLDS: Final[dict[str, Threshold]] = by_subject({**RULES_USE, **DERIVED})


def limit(tank: Tank, name: str) -> float:
    """The value in force for a tank: its own, else the default.

    Raises:
        KeyError: no such threshold; a fault of the program.
    """
    own = tank.thresholds.get(name)
    return THRESHOLDS[name].default if own is None else float(own)


def check_thresholds(overrides: Mapping[str, float]) -> None:
    """Refuse overrides that name no threshold or lie outside what it may be.

    Raises:
        InvalidInputError: naming each wrong one.
    """
    faults = []
    for name, value in overrides.items():
        known = THRESHOLDS.get(name)
        if known is None:
            detail = f"thresholds.{name} is not known; allowed: one of docs/practice.md"
        elif not known.low <= value <= known.high:
            detail = (
                f"thresholds.{name} is {value!r}; "
                f"allowed: {known.low:g} to {known.high:g} {known.unit}"
            )
        else:
            continue
        faults.append(FieldFault(f"/thresholds/{name}", detail))
    if faults:
        raise InvalidInputError("; ".join(fault.detail for fault in faults), tuple(faults))


__all__ = ["COMMON_PRACTICE", "THRESHOLDS", "check_thresholds", "limit"]
