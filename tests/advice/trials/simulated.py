"""Invented tanks on which something is tried, simulated with their sensors, and the true effect."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from typing import Any, Final
from unittest.mock import patch

import numpy as np
import numpy.typing as npt

from demo.measuring import measured
from demo.model import Change, Sensor, TankModel, WaterChange
from demo.simulator import Trace, simulate
from service.advice.trials.judgement import Verdict, verdict_of
from service.derive.loader import load
from service.derive.watched.comparison import Comparison, compare
from service.derive.watched.tank_days import TankDays
from service.derive.watched.values import WATCHED
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.plans import GasPlan
from service.registry.models.tank import Tank
from service.science.carbonate.co2 import ph_for_co2
from service.science.numeric.before_after import LEAST_DAYS
from service.science.numeric.estimate import students_t_975
from service.store.model import Samples, SeriesKey
from tests.scenarios.memory import MemoryLog, MemoryStore
from tests.scenarios.scenario import KH_4, START, STEP_S, TANK, base_model, base_tank

DAYS_BEFORE: Final = 21
DAYS_AFTER: Final = 14
SILENT_SHARE: Final = 0.12
"""So many days the pH probe is silent from morning to night."""
WANDER_SD: Final = 0.06
"""Standard deviation of the injection from day to day, as a share."""
CHANGED: Final = START
BOTH: Final = (
    f"{DAYS_BEFORE} days before, {DAYS_AFTER} after; {SILENT_SHARE:.0%} of them without pH\n"
    "kind          watched             trials   truth     half   holds  no difference  likeness"
    "   t test  blocks"
)


@dataclass(frozen=True, slots=True)
class Case:
    """A kind of trial: how many minutes earlier the CO2 comes on, and what is watched."""

    name: str
    earlier_min: int
    watched: tuple[str, ...]


CASES: Final = (
    Case("30 min", 30, ("co2-at-lights-on", "co2-within-target", "gas-per-day")),
    Case("no effect", 0, ("co2-at-lights-on", "co2-night-low", "gas-per-day", "dli")),
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """One watched value of one trial: the truth and what was found."""

    watched: str
    truth: float
    found: Comparison

    @property
    def holds(self) -> bool:
        one = self.found.difference
        return one is not None and one.low <= self.truth <= one.high


def outcomes(case: Case, count: int, seed: int) -> Iterator[Outcome]:
    """So many trials of a kind, each on a tank of its own."""
    for number in range(count):
        yield from outcomes_of(case, seed + number)


def outcomes_of(case: Case, seed: int) -> list[Outcome]:
    """One trial."""
    before, after = tanks(case)
    trace = trace_of(with_gas(seed, after.gas.start), seed)
    still = trace_of(wandering(seed), seed) if case.earlier_min else trace
    store = MemoryStore(measured_series(trace, seed))
    end = CHANGED + timedelta(days=DAYS_AFTER + 1)
    first = days_of(before, store, CHANGED, DAYS_BEFORE)
    sides = first, days_of(after, store, end, DAYS_AFTER, first)
    with_it, without = (
        days_of(tank, MemoryStore(true_series(one, seed)), end, DAYS_AFTER, first)
        for tank, one in ((after, trace), (before, still))
    )
    found = []
    for name in case.watched:
        watched, last = WATCHED[name], (end - timedelta(days=1)).date()
        truth = 0.0
        if case.earlier_min:
            pairs = zip(watched.of(with_it).values(), watched.of(without).values(), strict=True)
            truth = float(np.mean([a - b for a, b in pairs if a is not None and b is not None]))
        found.append(Outcome(name, truth, compare(watched, *sides, CHANGED.date(), last)))
    return found


def tanks(case: Case) -> tuple[Tank, Tank]:
    """The tank as registered before and after the change."""
    before = replace(base_tank(), gas=GasPlan(time(9), base_tank().gas.end))
    at = 9 * 60 - case.earlier_min
    start = time(at // 60, at % 60)
    return before, replace(before, gas=GasPlan(start, before.gas.end))


def log() -> list[LogEntry]:
    """Weekly water changes, newest first."""
    return [
        LogEntry(f"w{n}", TANK, LogKind.WATER_CHANGE, _saturday(n), {"fraction": 0.5})
        for n in reversed(range(-5, 4))
    ]


def _saturday(week: int) -> datetime:
    return START + timedelta(days=7 * week + 5, hours=18, minutes=30)


def wandering(seed: int) -> TankModel:
    """The healthy tank, its injection another each day, like the day before's to a degree."""
    generator = np.random.default_rng([seed, 1])
    likeness = generator.uniform(0.1, 0.7)
    base = base_model()
    assert base.gas is not None
    base = replace(base, gas=replace(base.gas, on=time(9)))
    assert base.gas is not None
    level, events = 0.0, list[Any]()
    for day in range(-DAYS_BEFORE - 10, DAYS_AFTER + 3):
        level = likeness * level + np.sqrt(1 - likeness**2) * generator.normal(0, WANDER_SD)
        at = (START + timedelta(days=day, hours=3)).timestamp()
        rate = base.gas.injection_mg_l_h * float(np.exp(level))
        events.append(Change(at, "gas.injection_mg_l_h", rate))
    events += [
        WaterChange(one.time.timestamp(), 0.5, 23.0, KH_4)
        for one in log()
        if one.time.timestamp() > (START - timedelta(days=DAYS_BEFORE + 9)).timestamp()
    ]
    return replace(base, events=tuple(events))


def with_gas(seed: int, start: time | None) -> TankModel:
    """The same tank, whose CO2 comes on at another time after the change."""
    model = wandering(seed)
    change = Change(CHANGED.timestamp(), "gas.on", start)
    return replace(model, events=(*model.events, change))


def trace_of(model: TankModel, seed: int) -> Trace:
    """The true course of a tank; its pH worked out at once, which is quicker than day by day."""
    start_s = (START - timedelta(days=DAYS_BEFORE + 3)).timestamp()
    end_s = (START + timedelta(days=DAYS_AFTER + 1)).timestamp()
    with patch("demo.simulator.ph_for_co2", lambda co2, *_, **__: np.zeros_like(co2)):
        trace = simulate(model, start_s, end_s, seed=seed, origin_s=start_s, step_s=STEP_S)
    ph = ph_for_co2(
        trace.co2_mg_l, trace.alkalinity_meq_l, trace.temperature_c, gh_meq_l=model.water.gh_meq_l
    )
    return replace(trace, ph=ph)


def measured_series(trace: Trace, seed: int) -> dict[SeriesKey, Samples]:
    """What the sensors report, with the days on which the pH probe is silent."""
    series = _series(trace, seed, base_model().sensors)
    generator = np.random.default_rng([seed, 2])
    key = next(one for one in series if one.quantity == "ph")
    one = series[key]
    day = ((one.time_us / 1e6 - START.timestamp()) // 86_400).astype(int)
    silent = [each for each in np.unique(day) if generator.random() < SILENT_SHARE]
    kept = ~np.isin(day, silent)
    series[key] = Samples(one.time_us[kept], one.value[kept], one.flags[kept])
    return series


def true_series(trace: Trace, seed: int) -> dict[SeriesKey, Samples]:
    """What sensors without any error would report."""
    exact = [replace(one, noise_sd=0.0, noise_relative=0.0) for one in base_model().sensors]
    return _series(trace, seed, exact)


def _series(trace: Trace, seed: int, sensors: Sequence[Sensor]) -> dict[SeriesKey, Samples]:
    found = {}
    for sensor in sensors:
        time_s, value = measured(TANK, sensor, trace, seed=seed, origin_s=float(trace.time_s[0]))
        time_us = np.rint(time_s * 1e6).astype(np.int64)
        flags = np.zeros(time_s.shape, np.int32)
        found[SeriesKey(TANK, sensor.quantity, sensor.name)] = Samples(time_us, value, flags)
    return found


def days_of(
    tank: Tank, store: MemoryStore, end: datetime, days: int, like: TankDays | None = None
) -> TankDays:
    """The days of a tank up to a midnight."""
    store.advance(end)
    inputs = load(tank, MemoryLog(log()), store, end, days=days + 1, reader=store.read)
    return TankDays(inputs, like)


def summary(case: Case, ones: Sequence[Outcome]) -> str:
    """One line of the table."""
    judged = [one for one in ones if one.found.difference is not None]
    found = [one.found.difference for one in judged if one.found.difference is not None]
    truth = np.mean([one.truth for one in judged])
    half = np.median([one.half_width for one in found])
    none = np.mean([verdict_of(one.found) is Verdict.NO_DIFFERENCE for one in judged])
    likeness = np.mean([one.likeness for one in found])
    plain = np.mean([_inside(t_interval, one) for one in judged])
    blocks = np.mean([_inside(block_interval, one) for one in judged])
    return (
        f"{case.name:12}  {ones[0].watched:18}  {len(judged):3}/{len(ones):3}  {truth:6.2f}"
        f"  {half:7.2f}  {np.mean([one.holds for one in judged]):6.1%}  {none:13.1%}"
        f"  {likeness:8.2f}  {plain:7.1%}  {blocks:6.1%}"
    )


Sides = tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]


def _inside(interval: Any, one: Outcome) -> bool:
    before = [day.value for day in one.found.days if day.day < one.found.changed]
    after = [day.value for day in one.found.days if day.day > one.found.changed]
    sides = tuple(np.array([v for v in side if v is not None]) for side in (before, after))
    low, high = interval(*sides)
    return bool(low <= one.truth <= high)


def t_interval(before: Any, after: Any) -> tuple[float, float]:
    """Student's two-sample interval, which takes days for independent."""
    spread = (before.var(ddof=1) * (before.size - 1) + after.var(ddof=1) * (after.size - 1)) / (
        degrees := before.size + after.size - 2
    )
    half = students_t_975(degrees) * np.sqrt(spread * (1 / before.size + 1 / after.size))
    middle = after.mean() - before.mean()
    return middle - half, middle + half


def block_interval(before: Any, after: Any) -> tuple[float, float]:
    """Percentiles of means of resampled blocks of three days (Künsch 1989)."""
    generator = np.random.default_rng(1)
    assert min(before.size, after.size) >= LEAST_DAYS
    means = [_resampled(side, generator) for side in (before, after)]
    low, high = np.quantile(means[1] - means[0], (0.025, 0.975))
    return float(low), float(high)


def _resampled(side: Any, generator: np.random.Generator) -> Any:
    count = -(-side.size // 3)
    first = generator.integers(0, side.size - 2, (1000, count))
    at = (first[:, :, None] + np.arange(3)).reshape(1000, -1)[:, : side.size]
    return side[at].mean(axis=1)
