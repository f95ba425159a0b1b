"""What a colleague without training reads: one figure for one thing, amounts that can be measured,
no deed against another, a caution where something can hurt."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
import pytest

from service.advice import cautions
from service.advice.engine.catalogue import evaluate
from service.advice.engine.practice import THRESHOLDS
from service.advice.engine.recommendation import Amount, Severity
from service.advice.engine.rule import Case
from service.advice.handover.care_plan import tasks_between
from service.advice.phrases import days, dose
from service.derive.thresholds import DERIVED
from service.registry.models import LogKind, PhotoperiodPlan, WaterChangePlan
from service.science.nutrients.limits import MAX_KH_STEP_DKH
from service.science.sensors.ph_electrode import (
    CALIBRATION_DUE_DAYS,
    DRIFT_PH_PER_30_DAYS,
    FRESH_SD_PH,
)
from service.science.water.mix import MAX_TEMPERATURE_STEP_C
from tests.advice.cases import DAY, HOUR, NOON, a_tank, amount, found, the, usual_log, view_with
from tests.derive.pieces import KH_4, entry, gassed, lamp

MORNING = NOON - 4 * HOUR


def weak(t: np.ndarray) -> np.ndarray:
    return gassed(t, high=14.0)


def old_kh(now: datetime) -> list:
    log = [one for one in usual_log(now) if one.kind != LogKind.KH_TEST]
    return [*log, entry(LogKind.KH_TEST, now - 60 * DAY, kh_meq_l=KH_4)]


@pytest.mark.parametrize(
    ("value", "text"), [(99.4, "99 ml"), (99.6, "100 ml"), (0.36, "0.36 ml"), (180.0, "180 ml")]
)
def test_a_dose_is_a_number_that_can_be_drawn(value: float, text: str) -> None:
    assert dose(Amount("macro", value, "mL")) == text


def test_days_are_counted_as_people_do() -> None:
    assert [days(0.2), days(1.4), days(12.0)] == ["1 day", "1 day", "12 days"]


def test_no_valve_is_opened_on_an_estimate_in_doubt() -> None:
    """``co2-doubtful`` says not to open the gas further; ``co2-low`` must not say by how much."""
    view = view_with(now=MORNING, co2=weak, log=old_kh(MORNING))
    doubtful, low = the(view, "co2-doubtful"), the(view, "co2-low")
    assert "don't open the gas further" in doubtful.action
    assert "Leave the needle valve as it is" in low.action
    assert "Test KH." in low.action
    assert "open the needle valve" not in low.action
    assert not any(one.name == "more gas flow" for one in low.amounts)
    assert low.severity is Severity.ADVICE
    sure = the(view_with(now=MORNING, co2=weak), "co2-low")
    assert "open the needle valve by about 20 %" in sure.action


def test_one_figure_for_the_hours_of_light() -> None:
    """New tank, lamp far too strong and far too long: one rule says how many hours."""
    new = a_tank(set_up=date(2026, 3, 4))
    blaze = view_with(new, lux=lambda t: lamp(t, off=21.0, lux=30_000.0))
    codes = {one.code for one in evaluate(blaze)}
    assert {"light-long", "light-settling"} <= codes
    assert "light-dose" not in codes
    assert "Set the timer to 6 h" in the(blaze, "light-long").action
    grown = view_with(lux=lambda t: lamp(t, lux=30_000.0))
    assert "Dim the lamp" in the(grown, "light-dose").action


def test_light_that_is_short_on_purpose_is_not_to_be_lengthened() -> None:
    """Six hours while plants settle, then half an hour more a week: nobody asks for eight."""
    tank = replace(a_tank(), set_up=date(2026, 2, 10))  # four weeks before NOON

    def hours_of(tank: object, hours: float, set_up: date) -> set[str]:
        view = view_with(
            a_tank(set_up=set_up), lux=lambda t: lamp(t, off=10.0 + hours, lux=6_000.0)
        )
        return {one.code for one in evaluate(view)}

    settling = hours_of(tank, 6.0, date(2026, 2, 24))
    assert not settling & {"light-dose", "light-short"}
    ramp = hours_of(tank, 6.5, date(2026, 2, 9))  # a week past the three
    assert not ramp & {"light-dose", "light-short"}
    years = hours_of(tank, 6.0, date(2024, 2, 9))
    assert "light-short" in years and "light-settling" not in years


def test_no_gas_says_how_long_the_light_may_be_and_nobody_else_does() -> None:
    none = view_with(
        now=NOON + 8 * HOUR, co2=lambda t: np.full(t.shape, 2.0), lux=lambda t: lamp(t, off=16.0)
    )
    assert "shorten the light to about 6 h" in the(none, "gas-out").action
    assert found(none, "light-short") == []
    assert found(none, "light-outruns-co2") == []


def test_lamp_that_is_still_on_is_switched_off_not_reckoned_with() -> None:
    late = view_with(now=NOON + 8 * HOUR, lux=lambda t: lamp(t, off=24.0))
    one = the(late, "light-long")
    assert "Switch it off now" in one.action
    assert "Set the timer back by" not in one.action
    assert cautions.MAINS in one.cautions


def test_water_that_cools_back_into_its_range_is_not_kept_warm() -> None:
    """29.8 °C falling by 1.5 K/h: "open the lid" and "see that the lid is shut" would be two."""
    hot = view_with(celsius=lambda t: np.where(
        t / 6e7 > NOON.timestamp() / 60 - 120,
        29.8 + 1.5 * (NOON.timestamp() / 3600 - t / 3.6e9), 24.0,
    ))  # fmt: skip
    one = the(hot, "temperature-fast")
    assert "on its way back" in one.action
    assert "heater" not in one.action and "lid" not in one.action


def test_a_tank_without_a_heater_is_not_told_to_check_it() -> None:
    cold = view_with(
        a_tank(heated=False),
        celsius=lambda t: 24.0 - 1.5 * np.maximum(t / 3.6e9 - NOON.timestamp() / 3600 + 1, 0.0),
    )
    assert "heater" not in the(cold, "temperature-fast").action
    warm = view_with(
        a_tank(heated=False),
        celsius=lambda t: 24.0 + 1.5 * np.maximum(t / 3.6e9 - NOON.timestamp() / 3600 + 1, 0.0),
    )
    assert "heater" not in the(warm, "temperature-fast").action


def test_low_oxygen_high_in_the_hills_does_not_forbid_gas_at_22_c() -> None:
    """At 2000 m water of 22 °C holds 6.8 mg/L; "while it is so warm" would be wrong."""
    view = view_with(a_tank(altitude_m=2000.0), celsius=22.5)
    one = the(view, "oxygen-low")
    assert "so warm" not in one.action and one.moves == ()


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
    plain = the(view_with(a_tank(), log=log), "water-change-due")
    assert cautions.HOT_TAP not in plain.cautions and cautions.CHEMICALS not in plain.cautions
    assert "conditioner" in cautions.NEW_WATER


def test_work_never_logged_is_not_told_as_done() -> None:
    """Set up two years ago, no cleaning in the log: nobody cleaned the filter on that day."""
    old = a_tank(set_up=date(2024, 3, 1))
    log = [one for one in usual_log() if one.kind != LogKind.FILTER_CLEAN]
    one = the(view_with(old, log=log), "filter-due")
    assert "Last done" not in one.action
    assert "None is in the log since the set-up on 01 Mar 2024" in one.action
    log.append(entry(LogKind.FILTER_CLEAN, NOON - 70 * DAY, part="filter"))
    assert "Last done 70 days ago" in the(view_with(old, log=log), "filter-due").action


def test_evenings_of_four_weeks_stay_evenings_over_the_change_to_summer_time() -> None:
    """Clocks in Amsterdam go forward on 29 March 2026 (EU directive 2000/84/EC)."""
    tank = a_tank(time_zone="Europe/Amsterdam")
    case = Case(view_with(tank))
    start = datetime(2026, 3, 14, tzinfo=UTC)
    tasks = tasks_between(case, start, start + timedelta(days=28))
    changes = [one for one in tasks if one.code == "water-change-due"]
    assert len(changes) == 4
    assert [one.due.hour for one in changes] == [17, 17, 17, 16]  # 18:00 on the wall
    assert [one.day for one in changes] == [
        date(2026, 3, 14) + timedelta(days=7 * n) for n in range(4)
    ]
    looks = [one for one in tasks if one.code == "look"]
    assert len(looks) == 28
    assert all(cautions.ANIMALS in one.cautions for one in looks)


def test_each_number_of_practice_stands_once() -> None:
    """Science and practice name the same number; it was 2 K here and 1 K there once."""
    assert DERIVED["ph_calibration_sd"].default == FRESH_SD_PH
    assert DERIVED["ph_drift_per_month"].default == DRIFT_PH_PER_30_DAYS
    assert DERIVED["ph_calibration_valid_days"].default == CALIBRATION_DUE_DAYS
    assert THRESHOLDS["temperature_step_max_c"].default == MAX_TEMPERATURE_STEP_C
    assert MAX_KH_STEP_DKH == 1.0


def test_test_of_kh_that_is_asked_for_carries_the_caution_on_chemicals() -> None:
    (one,) = found(view_with(a_tank(kh_meq_l=None), log=[]), "no-advice")
    assert one.cautions == (cautions.CHEMICALS,)


def test_light_over_midnight_is_one_photoperiod() -> None:
    """From 20:00 for eight hours: neither short nor long nor shifted."""
    tank = a_tank(photoperiod=PhotoperiodPlan(time(20), 8.0, time(18), time(3)))

    def over(t: np.ndarray) -> np.ndarray:
        hour = t / 3.6e9 % 24
        return np.where((hour >= 20) | (hour < 4), 12_000.0, 10.0)

    view = view_with(tank, lux=over, co2=lambda t: gassed(t - int(10 * 3.6e9)))
    assert not {one.code for one in evaluate(view)} & {
        "light-long", "light-short", "light-shifted", "light-dead"
    }  # fmt: skip
