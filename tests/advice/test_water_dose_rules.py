"""Water changes and fertiliser: when due, how much."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.advice.engine.recommendation import Severity
from service.registry.models import LogKind, WaterChangePlan
from tests.advice.cases import DAY, HOUR, amount, found, the, usual_log, view_with
from tests.derive.pieces import NOON, a_tank, entry


def log_with(*more, changed_days_ago: float = 3.0):
    """The usual log with the water change moved."""
    rest = [one for one in usual_log() if one.kind not in (LogKind.WATER_CHANGE, LogKind.DOSE)]
    change = entry(LogKind.WATER_CHANGE, NOON - changed_days_ago * DAY, fraction=0.5)
    return [*rest, change, *more]


def test_not_due_before_its_day() -> None:
    assert found(view_with(log=log_with(changed_days_ago=6)), "water-change-due") == []


def test_due_on_its_day_with_litres() -> None:
    one = the(view_with(log=log_with(changed_days_ago=7)), "water-change-due")
    assert one.severity is Severity.ADVICE
    assert amount(one, "water") == 90.0  # half of 180 L
    assert one.title == "Water change due: 90 L (50 %)"
    assert one.due is not None and one.due.hour == 20
    assert "water-change" in one.closed_by


def test_overdue_becomes_a_warning() -> None:
    one = the(view_with(log=log_with(changed_days_ago=11)), "water-change-due")
    assert one.severity is Severity.WARNING


def test_clears_with_the_change_and_a_small_one_does_not_count() -> None:
    small = entry(LogKind.WATER_CHANGE, NOON - HOUR, fraction=0.1)
    assert found(view_with(log=log_with(small, changed_days_ago=8)), "water-change-due") != []
    full = entry(LogKind.WATER_CHANGE, NOON - HOUR, fraction=0.5)
    assert found(view_with(log=log_with(full, changed_days_ago=8)), "water-change-due") == []


def test_rarer_for_low_energy_by_plan_and_off_with_no_plan() -> None:
    rare = a_tank(water_change=WaterChangePlan(every_days=28, fraction=0.3))
    assert found(view_with(rare, log=log_with(changed_days_ago=20)), "water-change-due") == []
    one = the(view_with(rare, log=log_with(changed_days_ago=28)), "water-change-due")
    assert amount(one, "water") == pytest.approx(54.0)
    never = a_tank(water_change=WaterChangePlan(every_days=0))
    assert found(view_with(never, log=[]), "water-change-due") == []


def test_empty_log_asks_for_one_without_a_warning() -> None:
    one = the(view_with(log=[]), "water-change-due")
    assert one.severity is Severity.ADVICE
    assert "No water change is in the log." in one.action


def test_without_a_volume_the_share_is_told() -> None:
    tank = a_tank(net_volume_l=None, dimensions=None)
    one = the(view_with(tank, log=log_with(changed_days_ago=7)), "water-change-due")
    assert "50 % of the water" in one.action


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


def test_large_change_the_same_day_as_a_replant() -> None:
    replant = entry(LogKind.REPLANT, NOON - 2 * HOUR, fraction=0.4)
    view = view_with(log=log_with(replant))
    one = the(view, "water-change-after-work")
    assert one.severity is Severity.ADVICE
    assert amount(one, "water") == 90.0
    assert one.due is not None and one.due.date() == NOON.date()
    assert found(view, "water-change-due") == []


def test_work_not_followed_by_evening_is_a_warning_the_next_day_and_is_not_doubled() -> None:
    replant = entry(LogKind.REPLANT, NOON - 26 * HOUR)
    view = view_with(log=log_with(replant, changed_days_ago=9))
    assert the(view, "water-change-after-work").severity is Severity.WARNING
    assert found(view, "water-change-due") == []


def test_work_clears_with_a_large_change_or_two_smaller_ones() -> None:
    replant = entry(LogKind.REPLANT, NOON - 5 * HOUR, fraction=0.4)
    large = entry(LogKind.WATER_CHANGE, NOON - 4 * HOUR, fraction=0.5)
    assert found(view_with(log=log_with(replant, large)), "water-change-after-work") == []
    twice = [entry(LogKind.WATER_CHANGE, NOON - hours * HOUR, fraction=0.3) for hours in (4, 3)]
    assert found(view_with(log=log_with(replant, *twice)), "water-change-after-work") == []
    small = entry(LogKind.WATER_CHANGE, NOON - 4 * HOUR, fraction=0.2)
    assert found(view_with(log=log_with(replant, small)), "water-change-after-work") != []


def test_a_light_trim_asks_for_nothing() -> None:
    trim = entry(LogKind.TRIM, NOON - 2 * HOUR, fraction=0.1)
    assert found(view_with(log=log_with(trim)), "water-change-after-work") == []
    assert (
        found(view_with(log=log_with(entry(LogKind.TRIM, NOON - HOUR))), "water-change-after-work")
        == []
    )


def test_doses_after_the_change_in_ml_and_g_for_the_net_volume() -> None:
    change = entry(LogKind.WATER_CHANGE, NOON - HOUR, fraction=0.5)
    macro, iron = found(view_with(log=log_with(change)), "dose-due")
    assert macro.title == "Dose macro: 18 ml"  # 10 ml per 100 L on 180 L
    assert iron.title == "Dose iron: 0.36 g"  # 0.2 g per 100 L
    assert amount(macro, "macro") == pytest.approx(18.0)
    assert amount(iron, "iron") == pytest.approx(0.36)
    assert macro.closed_by == ("dose",)


def test_dose_clears_by_name_and_by_an_unnamed_one() -> None:
    change = entry(LogKind.WATER_CHANGE, NOON - 2 * HOUR, fraction=0.5)
    named = entry(LogKind.DOSE, NOON - HOUR, name="Macro", ml=18.0)
    (left,) = found(view_with(log=log_with(change, named)), "dose-due")
    assert left.subject == "iron"
    every = entry(LogKind.DOSE, NOON - HOUR)
    assert found(view_with(log=log_with(change, every)), "dose-due") == []


def test_dose_is_no_longer_due_after_its_window() -> None:
    assert found(view_with(log=log_with(changed_days_ago=2.5)), "dose-due") == []
    wide = a_tank(thresholds={"dose_window_days": 4.0})
    assert len(found(view_with(wide, log=log_with(changed_days_ago=2.5)), "dose-due")) == 2


def test_future_entries_do_not_count() -> None:
    later = entry(LogKind.WATER_CHANGE, NOON + timedelta(hours=1), fraction=0.5)
    assert found(view_with(log=log_with(later, changed_days_ago=7)), "water-change-due") != []
