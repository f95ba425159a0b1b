"""CO2 by the pH drop against an aerated sample."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from service.derive.models import TankView
from service.derive.tank_view import tank_view
from service.registry.models import LogKind
from service.science.carbonate.co2 import ph_for_co2
from service.science.gas_exchange.air_water import CO2_PPM_ROOM, co2_air_equilibrium_mg_l
from tests.derive.pieces import (
    KH_4,
    NOON,
    a_tank,
    days_of,
    entry,
    gassed,
    grid,
    inputs_with,
)

DAY = timedelta(days=1)


def view_at(now: datetime, log: tuple = (), tank=None, **of_days: object) -> TankView:
    series = days_of(now, **of_days)  # type: ignore[arg-type]
    return tank_view(inputs_with(tank or a_tank(), now, series, log))


def test_an_aerated_sample_gives_away_a_wrong_kh() -> None:
    """Water of 2 dKH taken for 4 dKH: CO2 by KH is twice that by the pH drop."""
    true_meq_l = KH_4 / 2
    air = float(co2_air_equilibrium_mg_l(24.0, co2_ppm=CO2_PPM_ROOM))
    aerated = float(ph_for_co2(air, true_meq_l, 24.0))
    # a probe that was not calibrated lately may itself be off by a factor of two of CO2
    log = (
        entry(LogKind.OBSERVATION, NOON - DAY, aerated_ph=aerated),
        entry(LogKind.CALIBRATION, NOON - 2 * DAY, quantity="ph"),
    )
    check = view_at(NOON, log, meq_l=true_meq_l).co2_check
    assert check is not None
    assert check.disagreement == 1
    assert check.by_drop.value == pytest.approx(float(gassed(grid(NOON, NOON))[0]), rel=0.01)
    assert "KH test is stale" in check.reason
    right = view_at(NOON, log, tank=a_tank(kh_meq_l=true_meq_l), meq_l=true_meq_l).co2_check
    assert right is not None and right.disagreement == 0 and right.reason == ""
    old = (entry(LogKind.OBSERVATION, NOON - 40 * DAY, aerated_ph=aerated),)
    assert view_at(NOON, old).co2_check is None
