"""Each value that can be watched, against the true course of a simulated tank.

Its sensors have no errors of their own, so that what differs is the derivation's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from demo.simulator import Trace
from service.derive.loader import load
from service.derive.watched.tank_days import TankDays
from service.derive.watched.values import WATCHED
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.plans import GasPlan, PlantTargets
from service.registry.models.tank import Tank
from service.registry.volume import net_volume_l
from tests.advice.trials.simulated import CHANGED, trace_of, true_series
from tests.scenarios.memory import MemoryLog, MemoryStore
from tests.scenarios.scenario import STEP_S, TANK, base_model, base_tank

SEED = 11
DAYS = 10
END = CHANGED


@pytest.fixture(scope="module")
def trace() -> Trace:
    """The same injection each day."""
    return trace_of(base_model(), SEED)


@pytest.fixture(scope="module")
def tank() -> Tank:
    gas = base_model().gas
    assert gas is not None and gas.on is not None
    # CO2 passes the lower end of the target while the light is on.
    targets = PlantTargets(20.5, 30.0, 1.5, 4.0)
    return replace(base_tank(), gas=GasPlan(gas.on, base_tank().gas.end), targets=targets)


def days_of(trace: Trace, tank: Tank, log: Sequence[LogEntry] = (), **offset: float) -> TankDays:
    """The last days of the tank, as its sensors report them with an offset."""
    series = true_series(trace, SEED)
    shifted = {
        key: replace(one, value=one.value + offset.get(key.quantity, 0.0))
        for key, one in series.items()
    }
    store = MemoryStore(shifted)
    store.advance(END)
    inputs = load(tank, MemoryLog(list(log)), store, END, days=DAYS + 1, reader=store.read)
    return TankDays(inputs)


def values(days: TankDays, name: str) -> dict[date, float]:
    """Of every day but the last, whose night is not over."""
    found = WATCHED[name].of(days)
    known = {day: value for day in days.days[:-1] if (value := found[day]) is not None}
    assert len(known) == len(days.days) - 1 >= DAYS - 1
    return known


def within(trace: Trace, begin: float, end: float) -> npt.NDArray[np.bool_]:
    return (trace.time_s >= begin) & (trace.time_s < end)


def of_day(trace: Trace, days: TankDays, day: date) -> npt.NDArray[np.bool_]:
    begin, end = days.edges(day)
    return within(trace, begin.timestamp(), end.timestamp())


def test_co2_around_the_light(trace: Trace, tank: Tank) -> None:
    days = days_of(trace, tank)
    at_on, share, low = (
        values(days, name) for name in ("co2-at-lights-on", "co2-within-target", "co2-night-low")
    )
    for day in at_on:
        span, after = days.spans[day], days.spans[day + timedelta(days=1)]
        on, off = span.on.timestamp(), span.off.timestamp()
        truth = float(np.interp(on, trace.time_s, trace.co2_mg_l))
        assert at_on[day] == pytest.approx(truth, rel=0.01)
        lit = trace.co2_mg_l[within(trace, on, off)]
        reached = float(np.mean((lit >= 20.5) & (lit <= 30.0)))
        assert 0.2 < reached < 0.99
        assert share[day] == pytest.approx(100 * reached, abs=3)
        night = trace.co2_mg_l[within(trace, off, after.on.timestamp())]
        assert low[day] == pytest.approx(float(night.min()), rel=0.03)
    assert values(days, "days-to-target") == share


def test_a_night_that_is_cut_short_has_no_lowest_co2(trace: Trace, tank: Tank) -> None:
    """It falls to the end: the half of a night that is seen lies too high."""
    days = days_of(trace, tank)
    (*others, last), low = days.days, WATCHED["co2-night-low"].of(days)
    assert days.co2_days[last].night_low_mg_l is not None
    assert low[last] is None
    assert all(low[day] is not None for day in others)


def test_light(trace: Trace, tank: Tank) -> None:
    days = days_of(trace, tank)
    dli, hours = values(days, "dli"), values(days, "photoperiod")
    for day in dli:
        part = of_day(trace, days, day)
        assert dli[day] == pytest.approx(trace.ppfd_umol_m2_s[part].sum() * STEP_S / 1e6, rel=0.01)
        lit_h = (trace.illuminance_lx[part] > 0).sum() * STEP_S / 3600
        assert hours[day] == pytest.approx(lit_h, abs=0.2)


def test_heat(trace: Trace, tank: Tank) -> None:
    assert set(values(days_of(trace, tank), "temperature-excursions").values()) == {0}
    days = days_of(trace, tank, temperature=4.0)
    limit = days.inputs.tolerance.comfortable.high_c
    assert limit is not None
    for day, found in values(days, "temperature-excursions").items():
        celsius = trace.temperature_c[of_day(trace, days, day)] + 4.0
        assert celsius.min() > limit
        assert found == pytest.approx(24 * float((celsius - limit).mean()), rel=0.02)


def test_co2_that_went_in(trace: Trace, tank: Tank) -> None:
    days, gas, volume_l = days_of(trace, tank), base_model().gas, net_volume_l(tank)
    assert gas is not None and volume_l is not None
    for day, found in values(days, "gas-per-day").items():
        open_h = trace.gas_open[of_day(trace, days, day)].sum() * STEP_S / 3600
        assert found == pytest.approx(open_h * gas.injection_mg_l_h * volume_l / 1000, rel=0.05)


def test_offset_of_the_probe_moves_with_it(trace: Trace, tank: Tank) -> None:
    still, moved = (values(days_of(trace, tank, ph=offset), "ph-drift") for offset in (0.0, 0.1))
    for day, value in still.items():
        assert moved[day] - value == pytest.approx(0.1, abs=0.02)


@pytest.mark.parametrize(
    ("ion", "key", "level"),
    [("no3", "no3_mg_l", 20.0), ("po4", "po4_mg_l", 2.0), ("k", "k_mg_l", 20.0),
     ("fe", "fe_mg_l", 0.4)],
)  # fmt: skip
def test_nutrients_follow_the_tests(
    trace: Trace, tank: Tank, ion: str, key: str, level: float
) -> None:
    """Two tests of one level, hours before the days that are looked at."""
    data: dict[str, Any] = {key: level}
    at = END - timedelta(days=3)
    log = [
        LogEntry(f"t{n}", TANK, LogKind.NUTRIENT_TEST, at - timedelta(hours=n), data)
        for n in (1, 2)
    ]
    bare = replace(tank, doses=())
    days = days_of(trace, bare, log)
    found = WATCHED[f"estimated-{ion}"].of(days)
    assert found[days.days[-3]] == pytest.approx(level, rel=0.2)


def test_every_value_is_tried_here_or_with_the_observations() -> None:
    tried = {
        "co2-at-lights-on", "co2-within-target", "co2-night-low", "days-to-target", "dli",
        "photoperiod", "temperature-excursions", "gas-per-day", "ph-drift",
        "estimated-no3", "estimated-po4", "estimated-k", "estimated-fe",
    }  # fmt: skip
    assert {name for name in WATCHED if not name.startswith("seen-")} == tried
