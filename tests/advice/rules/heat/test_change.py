"""Rules on temperature that changes: fast, and cooling over days."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.registry.models.log import LogKind
from service.registry.models.tank import Stock
from tests.advice.cases import HOUR, amount, found, the, usual_log, view_with
from tests.derive.pieces import NOON, a_tank, entry, grid


def test_water_that_cools_back_into_its_range_is_not_kept_warm() -> None:
    """29.8 °C falling by 1.5 K/h: "open the lid" and "see that the lid is shut" would be two."""
    hot = view_with(celsius=lambda t: np.where(
        t / 6e7 > NOON.timestamp() / 60 - 120,
        29.8 + 1.5 * (NOON.timestamp() / 3600 - t / 3.6e9), 24.0,
    ))  # fmt: skip
    one = the(hot, "temperature-fast")
    assert "on its way back" in one.action
    assert "heater" not in one.action and "lid" not in one.action


def test_a_tank_without_a_heater_is_not_asked_to_check_it() -> None:
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


def test_cool_fish_far_above_their_limit_are_not_asked_to_be_heated() -> None:
    cool = (Stock("Tanichthys albonubes", 12, temperature_low_c=14.0, temperature_high_c=25.0),)
    tank = a_tank(heated=False, animals=cool)
    falling = lambda t: 22.0 - (t - grid(NOON, NOON)[0] + 8 * 8.64e10) / 8.64e10 * 0.4  # noqa: E731
    assert found(view_with(tank, celsius=falling), "temperature-cooling") == []
    near = tuple(replace(one, temperature_low_c=18.2) for one in cool)
    one = the(view_with(replace(tank, animals=near), celsius=falling), "temperature-cooling")
    assert "no heater is needed" in one.action


def test_fast_change_names_the_water_change_that_was_just_logged() -> None:
    def plunge(t: np.ndarray) -> np.ndarray:
        hours = (t - grid(NOON, NOON)[0]) / 3.6e9
        return np.where(hours > -1, 24.0 + 1.8 * (hours + 1) * -1, 24.0)

    log = [*usual_log(), entry(LogKind.WATER_CHANGE, NOON - HOUR, fraction=0.5)]
    plain = the(view_with(celsius=plunge), "temperature-fast")
    assert amount(plain, "rate") == pytest.approx(-1.8, abs=0.1)
    assert "heater is on" in plain.action
    assert (
        "match the new water" in the(view_with(celsius=plunge, log=log), "temperature-fast").action
    )
