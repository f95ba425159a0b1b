"""CO2 from the cache is that computed anew, whatever samples, log and tank become; and it computes
what changed alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from service.derive.co2 import value_cache as module
from service.derive.co2.series import Co2Basis, Water, co2_series
from service.derive.co2.value_cache import Co2ValueCache
from service.derive.inputs import Inputs
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.plans import DosePlan
from service.registry.models.tank import Tank
from service.store.model import Samples
from service.times import to_us
from tests.derive.pieces import KH_4, NOON, a_tank, days_of, entry, grid, inputs_with, samples

DAY = timedelta(days=1)


def checked(cache: Co2ValueCache, inputs: Inputs) -> None:
    """The values from the cache are those computed anew, to the last bit."""
    found, anew = cache.series(inputs), co2_series(inputs)
    for name in ("time_us", "value", "low", "high"):
        np.testing.assert_array_equal(getattr(found, name), getattr(anew, name))


class History:
    """A tank, its sensors and its log, as they change by a seed."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.now = NOON
        self.tank = a_tank()
        self.log: list[LogEntry] = []
        until = NOON + 4 * DAY
        whole = days_of(until, days=12, celsius=self._warmth)
        self.series = {name: whole[name] for name in ("ph", "temperature")}
        at = grid(until - 12 * DAY, until, 700.0)
        self.series["conductivity"] = samples(at, self.rng.uniform(200, 600, at.size))

    def _warmth(self, time_us: np.ndarray) -> np.ndarray:
        return 24.0 + np.round(self.rng.normal(0.0, 0.6, time_us.size))

    def inputs(self) -> Inputs:
        """Of the last eight or ten days, as they are known now."""
        edges = to_us(self.now - int(self.rng.choice([8, 10])) * DAY), to_us(self.now) + 1
        seen = {}
        for name, one in self.series.items():
            here = slice(*one.time_us.searchsorted(edges))
            seen[name] = Samples(one.time_us[here], one.value[here], one.flags[here])
        log = [one for one in self.log if one.time <= self.now]
        return inputs_with(self.tank, self.now, seen, log)

    def _stretch(self) -> tuple[str, np.ndarray]:
        """A quantity, and which of its samples lie in some hours of the days seen."""
        name = str(self.rng.choice(list(self.series)))
        start = self.now - float(self.rng.uniform(0, 8)) * DAY
        end = start + float(self.rng.uniform(0.2, 6)) * timedelta(hours=1)
        time_us = self.series[name].time_us
        return name, (time_us >= to_us(start)) & (time_us < to_us(end))

    def rewritten(self) -> None:
        """Some readings are others: a calibration, or a clock that was off."""
        name, here = self._stretch()
        one = self.series[name]
        value = np.where(here, one.value * float(self.rng.choice([0.99, 1.0, 3.0])), one.value)
        moved = one.time_us + here * int(self.rng.choice([0, 60_000_000]))
        order = np.argsort(moved, kind="stable")
        self.series[name] = Samples(moved[order], value[order], one.flags)

    def lost(self) -> None:
        """Some readings are deleted."""
        name, here = self._stretch()
        one = self.series[name]
        self.series[name] = Samples(one.time_us[~here], one.value[~here], one.flags[~here])

    def silent(self) -> None:
        """A sensor has sent nothing for a while, or nothing at all."""
        name = str(self.rng.choice(list(self.series)))
        until = to_us(self.now - float(self.rng.choice([0.1, 9.0])) * DAY)
        one = self.series[name]
        here = (one.time_us < until) | (one.time_us > to_us(self.now))
        self.series[name] = Samples(one.time_us[here], one.value[here], one.flags[here])

    def logged(self) -> None:
        """Something is written into the log, or taken out of it."""
        at = self.now - float(self.rng.uniform(0, 6)) * DAY
        kind, data = [
            (LogKind.KH_TEST, {"kh_meq_l": KH_4 * float(self.rng.uniform(0.1, 2.0))}),
            (LogKind.WATER_CHANGE, {"fraction": 0.5, "kh_meq_l": 2.0}),
            (LogKind.CALIBRATION, {"quantity": "ph", "offset": 0.1}),
            (LogKind.NUTRIENT_TEST, {"no3_mg_l": 20.0, "po4_mg_l": 2.0, "k_mg_l": 15.0}),
        ][self.rng.integers(4)]
        self.log.append(entry(kind, at, **data))
        if self.rng.random() < 0.3:
            self.log.pop(int(self.rng.integers(len(self.log))))

    def changed(self) -> None:
        """The tank is described otherwise."""
        changes: dict[str, object] = [
            {"kh_meq_l": KH_4 * float(self.rng.uniform(0.5, 2.0))},
            {"gh_meq_l": float(self.rng.choice([2.0, 4.0]))},
            {"organic_carbon_mg_l": 4.0},
            {"thresholds": {"assumed_temperature_c": float(self.rng.choice([22.0, 26.0]))}},
            {"thresholds": {"ph_drift_per_month": 0.3}},
            {"doses": (DosePlan("macro", ml_per_100_l=10.0),)},
            {"altitude_m": 2000.0},
        ][self.rng.integers(7)]
        self.tank = replace(self.tank, **changes)  # type: ignore[arg-type]

    def pass_time(self) -> None:
        self.now += timedelta(minutes=float(self.rng.choice([-30.0, 0.0, 5.0, 5.0, 31.0, 500.0])))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_values_are_those_computed_anew_whatever_happened(seed: int) -> None:
    history, cache = History(seed), Co2ValueCache()
    happens: list[Callable[[], None]] = [
        history.rewritten,
        history.lost,
        history.logged,
        history.logged,
        history.changed,
        history.silent,
    ]
    for _ in range(30):
        checked(cache, history.inputs())
        if history.rng.random() < 0.6:
            happens[int(history.rng.integers(len(happens)))]()
        history.pass_time()


@pytest.fixture
def computed(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many values each question computed."""
    counts: list[int] = []
    whole: Callable[[Water, Co2Basis], object] = module.co2_of

    def counting(water: Water, basis: Co2Basis) -> object:
        counts.append(len(water.time_us))
        return whole(water, basis)

    monkeypatch.setattr(module, "co2_of", counting)
    return counts


def of(tank: Tank, minutes: float, log: tuple[LogEntry, ...] = ()) -> Inputs:
    now = NOON + timedelta(minutes=minutes)
    series = days_of(now)
    return inputs_with(tank, now, {name: series[name] for name in ("ph", "temperature")}, log)


def test_new_readings_compute_theirs_alone(computed: list[int]) -> None:
    cache, tested = Co2ValueCache(), (entry(LogKind.KH_TEST, NOON - 3 * DAY, kh_meq_l=KH_4),)
    for minutes in (0, 5, 20, 20):
        cache.series(of(a_tank(), minutes))
    assert computed == [2305, 1, 3]
    cache.series(of(a_tank(), 20, tested))
    cache.series(of(a_tank(altitude_m=500.0), 20, tested))
    assert computed[3:] == [2305, 2305]


def test_the_same_readings_at_another_time_count() -> None:
    """A clock that was off: KH and the age of the calibration are others then."""
    cache, at = Co2ValueCache(), grid(NOON - 8 * DAY, NOON)
    log = [entry(LogKind.KH_TEST, NOON - n * DAY, kh_meq_l=KH_4 + n) for n in (1, 5)]
    for minutes in (0, 2):
        moved = np.where(at < to_us(NOON - 2 * DAY), at + minutes * 60_000_000, at)
        checked(cache, inputs_with(a_tank(), NOON, {"ph": samples(moved, 6.8)}, log))


def test_what_a_view_shows_cannot_be_changed() -> None:
    cache = Co2ValueCache()
    found = cache.series(of(a_tank(), 0))
    with pytest.raises(ValueError, match="read-only"):
        found.value[0] = 1.0
