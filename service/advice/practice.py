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
    table,
)
from service.errors import FieldFault, InvalidInputError
from service.tanks.values import Tank

RULES_USE: Final[dict[str, Threshold]] = table(
    # CO2
    Threshold("co2_low_lit_min", 60, "min", "lit minutes below target in 24 h before it is said"),
    Threshold("co2_low_tail_min", 90, "min", "minutes below target allowed before lights-off"),
    Threshold(
        "co2_high_hold_min", 15, "min", "CO2 above the ceiling for so long is said", OUR_CHOICE
    ),
    Threshold(
        "co2_high_day_min", 30, "min", "minutes above the ceiling in 24 h, even if over", OUR_CHOICE
    ),
    Threshold("co2_step_share", 0.2, "1", "most by which to change the gas flow at a time"),
    # Light
    Threshold(
        "light_grace_min", 30, "min", "lamp may come on or go off so much late", OUR_CHOICE, 1, 720
    ),
    Threshold(
        "photoperiod_tolerance_min", 45, "min", "photoperiod may differ so much from its plan",
        OUR_CHOICE, 1, 720,
    ),
    # Heat
    Threshold(
        "temperature_urgent_c", 2, "K", "so far outside the range it is urgent", OUR_CHOICE, 0.1, 20
    ),
    Threshold(
        "temperature_recent_h", 24, "h", "an excursion over for less is still told", OUR_CHOICE
    ),
    Threshold(
        "temperature_step_max_c", 1, "K", "most by which a water change should move temperature"
    ),
    Threshold("temperature_rate_max_c_h", 1, "K/h", "animals should not see a faster change"),
    # Water
    Threshold("work_share", 0.2, "1", "trim or replant of this share counts as major work", high=1),
    Threshold("work_change_fraction", 0.5, "1", "share to change after major work", high=1),
    Threshold("work_window_days", 3, "d", "after so long, work no longer calls for a change"),
    Threshold("change_overdue_share", 0.5, "1", "overdue by this share of the interval: warning"),
    Threshold("change_counts_share", 0.6, "1", "a change of this share of the plan counts"),
    # Nutrients
    Threshold("dose_window_days", 2, "d", "a dose is due for so long after the change", low=0.1),
)  # fmt: skip

THRESHOLDS: Final[dict[str, Threshold]] = {**DERIVED, **RULES_USE}


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
