"""What to fill in at a water change: mixes, effects, cautions, reuse of the old water."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.advice import cautions
from service.registry.models import LogKind, WaterChangePlan
from service.science.water.hardness import MEQ_L_PER_DEGREE
from tests.advice.cases import DAY, amount, the, usual_log, view_with
from tests.derive.pieces import KH_4, NOON, a_tank, entry


def test_new_water_carries_the_cautions_of_what_goes_into_it() -> None:
    plan = WaterChangePlan(
        tap_temperature_c=10.0, hot_temperature_c=55.0, tap_kh_meq_l=KH_4 / 4,
        target_kh_meq_l=KH_4,
    )  # fmt: skip
    log = [one for one in usual_log() if one.kind != LogKind.WATER_CHANGE]
    log.append(entry(LogKind.WATER_CHANGE, NOON - 8 * DAY, fraction=0.5))
    one = the(view_with(a_tank(water_change=plan), log=log), "water-change-due")
    assert amount(one, "KHCO3") > 0 and amount(one, "hot water") > 0
    assert {cautions.HOT_TAP, cautions.CHEMICALS, cautions.MAINS} <= set(one.cautions)
    as_it_comes = WaterChangePlan(tap_temperature_c=24.0)
    plain = the(view_with(a_tank(water_change=as_it_comes), log=log), "water-change-due")
    assert cautions.HOT_TAP not in plain.cautions and cautions.CHEMICALS not in plain.cautions
    assert "conditioner" in cautions.NEW_WATER


def due_view(plan: WaterChangePlan, *more):  # type: ignore[no-untyped-def]
    log = [one for one in usual_log() if one.kind is not LogKind.WATER_CHANGE]
    log += [entry(LogKind.WATER_CHANGE, NOON - 8 * DAY, fraction=0.5), *more]
    return the(view_with(a_tank(water_change=plan), log=log), "water-change-due")


def test_tap_and_reverse_osmosis_by_hand() -> None:
    """Tap 12 dKH and 16 dGH towards 4 dKH and 8 dGH: KH binds at a third, GH would allow half."""
    degree = MEQ_L_PER_DEGREE
    plan = WaterChangePlan(
        tap_kh_meq_l=12 * degree, tap_gh_meq_l=16 * degree,
        target_kh_meq_l=4 * degree, target_gh_meq_l=8 * degree,
    )  # fmt: skip
    one = due_view(plan)
    assert amount(one, "tap water") == pytest.approx(30.0)
    assert amount(one, "reverse-osmosis water") == pytest.approx(60.0)
    soft = due_view(replace(plan, tap_kh_meq_l=2 * degree, tap_gh_meq_l=8 * degree))
    assert amount(soft, "tap water") == pytest.approx(90.0)
    # +2 dKH in 90 L: 3.571 g KHCO3 per dKH and 100 L
    assert amount(soft, "KHCO3") == pytest.approx(2 * 0.9 * 3.571, rel=2e-3)


def test_old_water_for_plants_and_when_not() -> None:
    one = due_view(WaterChangePlan())
    assert "The old 90 L are fit for house plants and the garden; not for drinking" in one.action
    assert amount(one, "old water for plants") == 90.0
    salted = due_view(
        WaterChangePlan(), entry(LogKind.OBSERVATION, NOON - 5 * DAY, salt_added=True)
    )
    assert "not for plants: salt was added" in salted.action
    remedy = due_view(WaterChangePlan(), entry(LogKind.OBSERVATION, NOON - 5 * DAY, medicated=True))
    assert "not for plants: a remedy was added" in remedy.action


def log_with(*more, changed_days_ago: float = 3.0):
    """The usual log with the water change moved."""
    rest = [one for one in usual_log() if one.kind not in (LogKind.WATER_CHANGE, LogKind.DOSE)]
    change = entry(LogKind.WATER_CHANGE, NOON - changed_days_ago * DAY, fraction=0.5)
    return [*rest, change, *more]


def test_hot_and_cold_and_the_effect_on_kh_ph_and_co2() -> None:
    """24 °C from 12 and 60 °C: a quarter hot. KH 4, twice halved with 8 dKH: 6, 7."""
    tank = a_tank(
        water_change=WaterChangePlan(
            tap_temperature_c=12.0, hot_temperature_c=60.0,
            tap_kh_meq_l=2 * (a_tank().kh_meq_l or 0), tap_ph=7.8,
        )
    )  # fmt: skip
    one = the(view_with(tank, log=log_with(changed_days_ago=7)), "water-change-due")
    assert amount(one, "hot water") == pytest.approx(22.5)
    assert amount(one, "cold water") == pytest.approx(67.5)
    assert "mix 22 L of hot (60 °C) with 68 L of cold (12 °C)" in one.action
    assert "KH goes from 6.0 to about 7.0 dKH, pH to about 7.0" in one.action
