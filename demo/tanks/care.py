"""What the invented practitioner does every week, as log entries."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from demo.scenario import Noted
from service.registry.models.log import LogKind
from service.registry.models.tank import KhKit, Tank
from service.registry.volume import net_volume_l
from service.science.carbonate.kh_methods import KhMethod
from service.science.water.hardness import MEQ_L_PER_DEGREE

BY_HUNDRED = 100.0


def weekly_care(tank: Tank, change: datetime) -> Iterator[Noted]:
    """A trim, the water change by plan, and the doses of the plan after it."""
    yield Noted(LogKind.TRIM, change - timedelta(minutes=45), {"fraction": 0.1})
    yield Noted(LogKind.WATER_CHANGE, change, {"fraction": tank.water_change.fraction})
    volume_l = net_volume_l(tank) or 0.0
    for dose in tank.doses:
        if dose.ml_per_100_l is not None:
            amount = {"ml": round(dose.ml_per_100_l * volume_l / BY_HUNDRED, 1)}
        else:
            amount = {"g": round((dose.g_per_100_l or 0.0) * volume_l / BY_HUNDRED, 2)}
        yield Noted(LogKind.DOSE, change + timedelta(minutes=15), {"name": dose.name, **amount})


HALF_DEGREES = KhKit(KhMethod.TITRATION, step_meq_l=0.5 * MEQ_L_PER_DEGREE)
"""The invented practitioner reads KH off a syringe with marks of half a degree."""


def kh_test(kh_dkh: float, tested: datetime) -> Noted:
    """A test of carbonate hardness."""
    return Noted(LogKind.KH_TEST, tested, {"kh_meq_l": round(meq_l(kh_dkh), 4)})


def calibration(quantity: str, sensor: str, done: datetime) -> Noted:
    """A two-point calibration of a pH probe, or a comparison of another sensor."""
    data = {"quantity": quantity, "sensor": sensor}
    return Noted(LogKind.CALIBRATION, done, data)


def filter_clean(done: datetime) -> Noted:
    """The whole filter cleaned, its coarse stage with it: an entry that names no part."""
    return Noted(LogKind.FILTER_CLEAN, done, {})


def meq_l(degrees: float) -> float:
    """meq/L of German degrees, carbonate or general."""
    return degrees * MEQ_L_PER_DEGREE
