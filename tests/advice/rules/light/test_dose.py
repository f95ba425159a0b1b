"""Rules on the light of a day: its integral, settling plants, light that is short."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from service.advice.engine.catalogue import evaluate
from service.advice.engine.recommendation import Severity
from service.registry.models.log import LogKind
from service.registry.models.plans import PlantTargets
from tests.advice.cases import DAY, HOUR, amount, found, the, usual_log, view_with
from tests.derive.pieces import NOON, a_tank, entry, lamp


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


def test_short_light_is_reported_as_it_was_seen() -> None:
    short = view_with(a_tank(set_up=date(2024, 2, 9)), lux=lambda t: lamp(t, off=16.0))
    assert "the lamp was on for 6.0 h." in the(short, "light-short").action


def test_two_short_days_that_are_not_alike_are_no_short_timer() -> None:
    """Something broke or was mended in between; the grace is half an hour."""
    tank, yesterday = a_tank(set_up=date(2024, 2, 9)), (NOON - DAY).replace(hour=0)

    def lit(before: float, after: float) -> object:
        return lambda t: np.where(
            t < yesterday.timestamp() * 1e6,
            lamp(t, off=10.0 + before),
            lamp(t, off=10.0 + after),
        )

    assert found(view_with(tank, lux=lit(6.0, 5.0)), "light-short") == []
    assert len(found(view_with(tank, lux=lit(6.0, 5.75)), "light-short")) == 1


def test_a_replant_of_unknown_size_settles_nothing() -> None:
    def settling(**data: float) -> list[object]:
        log = [*usual_log(), entry(LogKind.REPLANT, NOON - 7 * DAY, **data)]
        return found(view_with(a_tank(set_up=date(2024, 2, 9)), log=log), "light-settling")

    assert settling() == settling(fraction=0.3) == []
    assert len(settling(fraction=0.4)) == 1


def test_no_gas_says_how_long_the_light_may_be_and_nobody_else_does() -> None:
    none = view_with(
        now=NOON + 8 * HOUR, co2=lambda t: np.full(t.shape, 2.0), lux=lambda t: lamp(t, off=16.0)
    )
    assert "shorten the light to about 6 h" in the(none, "gas-out").action
    assert found(none, "light-short") == []
    assert found(none, "light-outruns-co2") == []


def test_light_dose_by_hand() -> None:
    """12,000 lx x 0.0145 for 8 h are 5.01 mol/m²/d; the plants want 3: to 60 %."""
    tank = a_tank(targets=PlantTargets(20, 30, 1.5, 3.0))
    one = the(view_with(tank, NOON), "light-dose")
    assert one.severity is Severity.ADVICE
    assert amount(one, "light to change by") == pytest.approx(100 * (3 / 5.011 - 1), abs=0.5)
    assert "Dim the lamp to 60 %" in one.action
    weak = a_tank(targets=PlantTargets(20, 30, 8.0, 12.0))
    little = the(view_with(weak, NOON), "light-dose")
    assert little.severity is Severity.INFO
    assert "1.6 times as much" in little.action


def test_settling_after_a_set_up_and_no_short_light_meanwhile() -> None:
    new = a_tank(set_up=date(2026, 3, 1))
    one = the(view_with(new), "light-settling")
    assert amount(one, "shorter by") == pytest.approx(120, abs=3)
    assert "until 22 Mar" in one.action
    assert one.due is not None and one.since is not None
    assert one.due - one.since == timedelta(days=1), "to be set now, not when the weeks are over"
    six = view_with(new, lux=lambda t: lamp(t, off=16.0))
    assert found(six, "light-settling") == []
    assert found(six, "light-short") == []
