"""States of a tank in which some rules do not speak, by name: each a question to a case."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from service.advice.care_log import entries, newest, newest_calibration
from service.advice.engine.rule import Case
from service.derive.models.co2_days import Co2Day
from service.derive.models.quality import Quality
from service.registry.models.log import Lever, LogKind

A_DAY: Final = timedelta(days=1)


def too_warm(case: Case) -> bool:
    """Temperature is above what the animals tolerate."""
    found = case.view.temperature
    high_c = found.tolerable.high_c
    if found.reading is None or high_c is None or found.quality is Quality.STALE:
        return False
    return found.reading.value > high_c


def gas_failed_lately(case: Case) -> bool:
    """No CO2 flowed on a day that ended less than a day ago, or the cylinder was replaced then."""
    if any(case.now - one.off_at < A_DAY for one in days_without_gas(case)):
        return True
    replaced = newest_cylinder(case)
    return replaced is not None and case.now - replaced < A_DAY


def days_without_gas(case: Case) -> list[Co2Day]:
    """Days in whose light CO2 stayed so low that none can have flowed, oldest first."""
    most = case.limit("gas_out_mg_l")
    return [one for one in case.view.co2_days if one.peak_mg_l <= most]


def gas_just_changed(case: Case) -> bool:
    """Flow or times of CO2, or the calibration of pH, changed since the light that is judged."""
    lit, changed = case.view.co2_lit, gas_beginning(case)
    return lit is not None and changed is not None and changed > lit.start


def gas_beginning(case: Case) -> datetime | None:
    """Since when CO2 has been as it is: its last adjustment, cylinder or calibration of pH.

    What was measured before tells nothing of it.
    """
    calibrated = newest_calibration(case, "ph")
    found = [
        adjusted(case, Lever.GAS_FLOW, Lever.GAS_TIMES),
        newest_cylinder(case),
        None if calibrated is None else calibrated.time,
    ]
    return max((one for one in found if one is not None), default=None)


def adjusted(case: Case, *levers: Lever) -> datetime | None:
    """When one of some levers was last adjusted, as far as it is in the log."""
    for one in entries(case, LogKind.ADJUSTMENT):
        if one.data.get("lever") in levers:
            return one.time
    return None


def newest_cylinder(case: Case) -> datetime | None:
    """When the newest cylinder was logged."""
    entry = newest(case, LogKind.CYLINDER)
    return None if entry is None else entry.time
