"""What to fill in at a water change: mixes, effects, cautions, reuse of the old water."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from service.advice import cautions
from service.registry.models.log import LogKind
from service.registry.models.plans import WaterChangePlan
from service.registry.models.tank import Stock
from service.science.water.hardness import MEQ_L_PER_DEGREE
from tests.advice.cases import DAY, HOUR, MINUTE, amount, found, the, usual_log, view_with
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


def due_view(plan: WaterChangePlan, *more, tap: bool = False, **of_tank):  # type: ignore[no-untyped-def]
    """The finding; with ``tap`` KH was tested after the last change, so that it is the tank's."""
    log = [one for one in usual_log() if one.kind is not LogKind.WATER_CHANGE]
    log += [entry(LogKind.WATER_CHANGE, NOON - 8 * DAY, fraction=0.5), *more]
    if tap:
        log = [one for one in log if one.kind is not LogKind.KH_TEST]
        log.append(entry(LogKind.KH_TEST, NOON - 2 * MINUTE, kh_meq_l=KH_4))
    return the(view_with(a_tank(water_change=plan, **of_tank), log=log), "water-change-due")


def test_tap_and_reverse_osmosis_by_hand() -> None:
    """Tap 12 dKH and 16 dGH towards 4 dKH and 8 dGH: KH binds at a third, GH would allow half."""
    degree = MEQ_L_PER_DEGREE
    plan = WaterChangePlan(
        tap_kh_meq_l=12 * degree, tap_gh_meq_l=16 * degree,
        target_kh_meq_l=4 * degree, target_gh_meq_l=8 * degree,
    )  # fmt: skip
    at_once = {"kh_step_max_dkh": 20.0}
    one = due_view(plan, thresholds=at_once)
    assert amount(one, "tap water") == pytest.approx(30.0)
    assert amount(one, "reverse-osmosis water") == pytest.approx(60.0)
    soft = due_view(
        replace(plan, tap_kh_meq_l=2 * degree, tap_gh_meq_l=8 * degree), thresholds=at_once
    )
    assert amount(soft, "tap water") == pytest.approx(90.0)
    # +2 dKH in 90 L: 3.571 g KHCO3 per dKH and 100 L
    assert amount(soft, "KHCO3") == pytest.approx(2 * 0.9 * 3.571, rel=2e-3)


def test_old_water_is_fit_for_the_garden_only_where_it_is_known() -> None:
    """Said of the tank, logged, or neither: then nobody may rely on it."""
    unknown = due_view(WaterChangePlan())
    assert "are fit for house plants and the garden, unless salt or medication is in it" in (
        unknown.action
    )
    assert not any(one.name == "old water for plants" for one in unknown.amounts)
    known = due_view(WaterChangePlan(), salted=False, medicated=False)
    assert "The old 90 L are fit for house plants and the garden. Don't drink it" in known.action
    assert amount(known, "old water for plants") == 90.0
    half = due_view(WaterChangePlan(), salted=False)
    assert "the garden, unless medication is in it" in half.action
    salt = entry(LogKind.SALT, NOON - 5 * DAY, g=30.0)
    assert "not on plants, since salt was added" in due_view(WaterChangePlan(), salt).action
    assert "not on plants, since salt" in due_view(WaterChangePlan(), salt, salted=False).action
    remedy = entry(LogKind.MEDICATION, NOON - 5 * DAY, name="invented remedy", ml=5.0)
    assert "not on plants, since medication was added" in due_view(WaterChangePlan(), remedy).action


def test_a_change_that_would_move_kh_too_far_is_split_over_days() -> None:
    """KH 4, tap 8 dKH, half the water: 2 dKH at once, and 1 dKH a day is the most (common practice,
    no source). A change of 1/4 moves it by 1; (3/4)^3 < 1/2 <= (3/4)^2, so three changes of
    1 - 2^(-1/3) = 20.6 %: 37.1 L each, the first by 0.83 dKH, and half is renewed in the end."""
    plan = WaterChangePlan(tap_kh_meq_l=2 * KH_4, tap_temperature_c=24.0)
    one = due_view(plan, tap=True)
    assert one.title == "Water change due: 37 L (21 %) a day for 3 days"
    assert amount(one, "water") == pytest.approx(180 * (1 - 2 ** (-1 / 3)))
    assert amount(one, "days") == 3
    assert "at once would move KH from 4.0 to 6.0 dKH. More than 1 dKH a day is too" in one.action
    assert "KH goes from 4.0 to about 4.8 dKH" in one.action
    wider = due_view(plan, tap=True, thresholds={"kh_step_max_dkh": 2.0})
    assert wider.title == "Water change due: 90 L (50 %)"
    bare = due_view(plan, tap=True, animals=())
    assert bare.title == "Water change due: 90 L (50 %)"


def test_what_is_left_of_a_split_change_is_asked_for_the_next_day() -> None:
    plan = WaterChangePlan(tap_kh_meq_l=2 * KH_4)
    parts = [entry(LogKind.WATER_CHANGE, NOON - n * DAY - HOUR, fraction=0.206) for n in (0, 1)]
    first = due_view(plan, parts[0], tap=True)
    assert "21 % of it is done: this is what is left" in first.action
    assert first.due is not None and first.due.date() == (NOON + DAY).date()
    last = due_view(plan, *parts, tap=True)
    # 1 - 0.5 / 0.794^2 = 20.7 %
    assert amount(last, "fraction") == pytest.approx(20.7, abs=0.1)
    done = [entry(LogKind.WATER_CHANGE, NOON - n * DAY - HOUR, fraction=0.206) for n in (0, 1, 2)]
    view = view_with(a_tank(water_change=plan), log=[*log_with(changed_days_ago=8), *done])
    assert found(view, "water-change-due") == []


@pytest.mark.parametrize(("celsius", "aimed"), [(27.0, 26.0), (21.0, 22.0), (24.0, 24.0)])
def test_aim_for_new_water_is_what_the_animals_tolerate(celsius: float, aimed: float) -> None:
    """Half the water at 26 moves a tank of 27 by half a degree; 26 is the limit."""
    stock = Stock("Invented", 10, temperature_low_c=22.0, temperature_high_c=26.0)
    plan = WaterChangePlan(tap_temperature_c=10.0, hot_temperature_c=60.0)
    tank = a_tank(animals=(stock,), water_change=plan)
    view = view_with(
        tank, log=log_with(changed_days_ago=8), celsius=lambda t: np.full(t.shape, celsius)
    )
    one = the(view, "water-change-due")
    assert f"For {aimed:.0f} °C mix" in one.action
    hot, cold = amount(one, "hot water"), amount(one, "cold water")
    assert (60 * hot + 10 * cold) / (hot + cold) == pytest.approx(aimed)
    far = a_tank(animals=(stock,), water_change=WaterChangePlan())
    view = view_with(far, log=log_with(changed_days_ago=8),
                     celsius=lambda t: np.full(t.shape, 31.0))  # fmt: skip
    # One step of 1 K with half the water: 2 K cooler at most, not 5.
    assert (
        "Fill up with water of 29 °C, cooler than the tank's 31.0 °C"
        in the(view, "water-change-due").action
    )


def test_kh_buffer_in_the_log_raises_kh() -> None:
    """100.115 g of KHCO3 are 1 eq (IUPAC atomic weights): 18.02 g in 180 L are 1 meq/L."""
    log = [*usual_log(), entry(LogKind.BUFFER, NOON - DAY, g=18.0207, salt="KHCO3")]
    raised, plain = (view_with(log=one).co2.kh for one in (log, usual_log()))
    assert raised is not None and plain is not None
    assert raised.meq_l - plain.meq_l == pytest.approx(1.0, abs=1e-3)
    slip = [*usual_log(), entry(LogKind.BUFFER, NOON - DAY, g=90_000.0, salt="KHCO3")]
    assert view_with(log=slip).co2.kh == plain


def log_with(*more, changed_days_ago: float = 3.0):
    """The usual log with the water change moved."""
    rest = [one for one in usual_log() if one.kind not in (LogKind.WATER_CHANGE, LogKind.DOSE)]
    change = entry(LogKind.WATER_CHANGE, NOON - changed_days_ago * DAY, fraction=0.5)
    return [*rest, change, *more]


def test_hot_and_cold_and_the_effect_on_kh_ph_and_co2() -> None:
    """24 °C from 12 and 60 °C: a quarter hot. KH 4, twice halved with 8 dKH: 6, 7."""
    tank = a_tank(
        gh_meq_l=0.0,  # as the simulated water
        water_change=WaterChangePlan(
            tap_temperature_c=12.0, hot_temperature_c=60.0,
            tap_kh_meq_l=2 * (a_tank().kh_meq_l or 0), tap_gh_meq_l=0.0, tap_ph=7.8,
        )
    )  # fmt: skip
    one = the(view_with(tank, log=log_with(changed_days_ago=7)), "water-change-due")
    assert amount(one, "hot water") == pytest.approx(22.5)
    assert amount(one, "cold water") == pytest.approx(67.5)
    assert "mix 22 L of hot (60 °C) with 68 L of cold (12 °C)" in one.action
    assert "KH goes from 6.0 to about 7.0 dKH, pH to about 7.0" in one.action
    assert re.search(r"CO2 to about \d+ mg/L \(\d+ to \d+\) until", one.action)


def test_hot_and_cold_by_hand_and_only_where_both_taps_are_on_their_sides_of_the_aim() -> None:
    """24 °C from 12 and 60: a quarter of hot, (24 - 12) / (60 - 12), in 90 L 22.5 L."""
    both = WaterChangePlan(tap_temperature_c=12.0, hot_temperature_c=60.0)
    one = due_view(both)
    assert amount(one, "hot water") == pytest.approx(22.5, abs=0.1)
    assert amount(one, "cold water") == pytest.approx(67.5, abs=0.1)
    for plan in (
        WaterChangePlan(tap_temperature_c=12.0),
        WaterChangePlan(hot_temperature_c=60.0),
        WaterChangePlan(tap_temperature_c=27.0, hot_temperature_c=60.0),
        WaterChangePlan(tap_temperature_c=12.0, hot_temperature_c=20.0),
    ):
        assert not any("hot water" in part.name for part in due_view(plan).amounts)
