"""What the animals tolerate together, and that one ceiling counts everywhere."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from service.derive.inhabitants.tolerance import tolerance_of
from service.derive.models.co2 import Co2State
from service.derive.models.tank_view import TankView
from service.derive.tank_view import tank_view
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Tank
from tests.derive.pieces import NOON, a_tank, days_of, entry, gassed, inputs_with

DAY = timedelta(days=1)
STOCKED = entry(LogKind.STOCKING, NOON - DAY, species="Otocinclus vittatus", count=6)


def added(day: date, **thresholds: float) -> Tank:
    """The invented tank with its animals added on a day."""
    tank = a_tank(thresholds=thresholds)
    return replace(tank, animals=tuple(replace(one, added=day) for one in tank.animals))


def view_of(tank: Tank, *log: LogEntry) -> TankView:
    """The tank at noon, gassed to 28 mg/L."""
    series = days_of(co2=lambda time_us: gassed(time_us, high=28.0))
    return tank_view(inputs_with(tank, NOON, series, log))


def at(now: datetime, *log: LogEntry) -> TankView:
    """The usual tank at another moment."""
    return tank_view(inputs_with(a_tank(), now, days_of(now), log))


def ceiling(tank: Tank, *log: LogEntry, now: datetime = NOON) -> tuple[float, bool]:
    """The ceiling and whether it is lowered."""
    found = tolerance_of(tank, log, now).co2
    assert found is not None
    return found.co2_mg_l, found.newcomer


@pytest.mark.parametrize("share", [0.8, 0.7])
def test_after_stocking_the_present_co2_is_judged_as_the_advice_judges_it(share: float) -> None:
    tank = a_tank(thresholds={"newcomer_fraction": share})
    usual, after = view_of(tank), view_of(tank, STOCKED)
    assert usual.co2.co2 is not None and after.co2.co2 is not None
    assert 27.9 < after.co2.co2.value < 28.0
    assert (usual.co2.state, usual.co2.target_high_mg_l) == (Co2State.WITHIN, 30.0)
    assert (after.co2.state, after.co2.target_high_mg_l) == (Co2State.ABOVE, 30.0 * share)
    assert after.co2_high is not None and after.co2_high.newcomers
    assert after.co2_high.ceiling_mg_l == after.co2.target_high_mg_l


@pytest.mark.parametrize("share", [0.8, 0.6])
def test_the_tanks_own_share_counts_however_the_animals_are_known_to_be_new(share: float) -> None:
    assert ceiling(added(NOON.date(), newcomer_fraction=share)) == (30.0 * share, True)
    assert ceiling(a_tank(thresholds={"newcomer_fraction": share}), STOCKED) == (30.0 * share, True)


def test_newcomers_by_date_have_their_hours_from_the_end_of_that_day() -> None:
    last = datetime(2026, 3, 13, 0, tzinfo=UTC) - timedelta(seconds=1)
    tank = added(date(2026, 3, 10))
    assert ceiling(tank, now=last) == (24.0, True)
    assert ceiling(tank, now=last + timedelta(seconds=1)) == (30.0, False)
    # 00:00 there is 15:00 UTC of the day before
    east = replace(tank, time_zone="Asia/Tokyo")
    assert ceiling(east, now=last - timedelta(hours=9)) == (24.0, True)
    assert ceiling(east, now=last) == (30.0, False)
    longer = added(date(2026, 3, 10), newcomer_h=72.0)
    assert ceiling(longer, now=last + DAY) == (24.0, True)


def test_newcomers_by_the_log_have_their_hours_from_the_entry() -> None:
    tank = a_tank(thresholds={"newcomer_h": 30.0})
    assert ceiling(tank, STOCKED, now=NOON + timedelta(hours=5)) == (24.0, True)
    assert ceiling(tank, STOCKED, now=NOON + timedelta(hours=7)) == (30.0, False)
    assert ceiling(tank, STOCKED, now=NOON - 2 * DAY) == (30.0, False)
    gone = entry(LogKind.STOCKING, NOON - DAY, species="Otocinclus vittatus", count=-6)
    assert ceiling(tank, gone) == (30.0, False)


def test_the_hours_after_stocking_have_a_lower_ceiling() -> None:
    log = (entry(LogKind.STOCKING, NOON - DAY, species="Otocinclus vittatus", count=6),)
    new = at(NOON, *log).co2_high
    assert new is not None and new.newcomers
    assert new.ceiling_mg_l == pytest.approx(24.0)  # 0.8 of 30
    later = at(NOON + 2 * DAY, *log).co2_high
    assert later is not None and not later.newcomers and later.ceiling_mg_l == 30.0
    left = (entry(LogKind.STOCKING, NOON - DAY, species="Otocinclus vittatus", count=-6),)
    gone = at(NOON, *left).co2_high
    assert gone is not None and not gone.newcomers


@pytest.mark.parametrize(("lingers", "ongoing_min"), [(29.2, 240.0), (27.0, 0.0)])
def test_co2_is_high_until_it_is_clearly_below_the_ceiling(
    lingers: float, ongoing_min: float
) -> None:
    """Ceiling 30 mg/L of the fish; below 95 % of it the excess is over."""

    def spell(t: np.ndarray) -> np.ndarray:
        hour = (t - t[-1]) / 3.6e9
        return np.where((hour > -4) & (hour <= -3), 40.0, np.where(hour > -3, lingers, 25.0))

    high = tank_view(inputs_with(a_tank(), NOON, days_of(co2=spell))).co2_high
    assert high is not None and high.ceiling_mg_l == 30.0
    assert high.ongoing_min == pytest.approx(ongoing_min, abs=10)
