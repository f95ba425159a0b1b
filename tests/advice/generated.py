"""Invented tanks by chance: stock, plans and faults over closed-form days, for hypothesis."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import time, timedelta
from typing import Any

import numpy as np
from hypothesis import strategies as st

from service.derive.models import TankView
from service.registry.models import (
    Lever,
    LogEntry,
    LogKind,
    PhotoperiodPlan,
    Stock,
    Tank,
    WaterChangePlan,
)
from service.science.water.hardness import MEQ_L_PER_DEGREE
from tests.advice.cases import view_with
from tests.derive.pieces import KH_4, NOON, a_tank, entry, gassed, hour_of_day, lamp

SPECIES = (
    "Paracheirodon innesi",
    "Paracheirodon axelrodi",
    "Danio rerio",
    "Corydoras paleatus",
    "Neocaridina davidi",
    "Tanichthys albonubes",
    "Betta splendens",
    "Trigonostigma heteromorpha",
)
Curve = Callable[[np.ndarray], np.ndarray]

stocks = st.lists(st.sampled_from(SPECIES), max_size=3, unique=True).map(
    lambda names: tuple(Stock(name, 10) for name in names)
)
hours = st.sampled_from((0.0, 3.0, 7.0, 9.0, 10.0, 12.0, 14.0, 17.0, 21.0))
maybe_c = st.none() | st.sampled_from((8.0, 14.0, 18.0))


@st.composite
def tanks(draw: Any) -> Tank:
    """A tank with any stock and any plans."""
    gas_on = draw(st.none() | st.sampled_from((time(7, 40), time(8), time(10))))
    plan = PhotoperiodPlan(
        time(10), draw(st.sampled_from((5.0, 8.0, 11.0))), gas_on, gas_on and time(17)
    )
    cold = draw(maybe_c)
    change = WaterChangePlan(
        every_days=7.0,
        fraction=draw(st.sampled_from((0.2, 0.5, 0.8))),
        tap_kh_meq_l=draw(st.none() | st.sampled_from((0.5, 4.0, 12.0))),
        tap_temperature_c=cold,
        hot_temperature_c=draw(st.none() | st.just(55.0)) if cold is not None else None,
        target_kh_meq_l=draw(st.none() | st.just(KH_4)),
    )
    if change.tap_kh_meq_l is not None:
        change = replace(change, tap_kh_meq_l=change.tap_kh_meq_l * MEQ_L_PER_DEGREE)
    return a_tank(
        livestock=draw(stocks),
        heated=draw(st.booleans()),
        co2_injected=draw(st.sampled_from((True, True, True, False))),
        photoperiod=plan,
        water_change=change,
    )


@st.composite
def faulty(draw: Any, usual: Curve, other: Curve) -> Curve:
    """A curve that turns into another for some hours before now, or not."""
    start_h = draw(st.sampled_from((0.0, 0.0, 2.0, 26.0, 80.0)))
    end_h = draw(st.sampled_from((0.0, 0.5, 5.0)))

    def curve(time_us: np.ndarray) -> np.ndarray:
        ago_h = (time_us[-1] - time_us) / 3.6e9
        return np.where((ago_h < start_h) & (ago_h >= end_h), other(time_us), usual(time_us))

    return curve


@st.composite
def co2_curves(draw: Any) -> Curve:
    """CO2 of any height, early or late, noisy or not."""
    high, on = (
        draw(st.sampled_from((12.0, 18.0, 24.0, 29.0, 45.0))),
        draw(st.sampled_from((6.0, 8.0, 10.0, 12.0))),
    )
    noise = draw(st.sampled_from((0.0, 0.05)))
    fault = draw(st.sampled_from((2.0, 3.0, 60.0)))
    usual = lambda t: gassed(t, high=high, on=on)  # noqa: E731
    flat = lambda t: np.full(t.shape, fault)  # noqa: E731
    curve = draw(faulty(usual, flat))
    wave = lambda t: 1.0 + noise * np.sin(t / 3e8)  # noqa: E731
    return lambda t: curve(t) * wave(t)


@st.composite
def warmths(draw: Any) -> Curve:
    """Temperature with a daily course, perhaps falling or far off for some hours."""
    middle = draw(st.sampled_from((17.0, 21.0, 24.0, 25.0, 27.5)))
    swing, trend = draw(st.sampled_from((0.1, 1.0))), draw(st.sampled_from((0.0, -0.4)))

    def usual(time_us: np.ndarray) -> np.ndarray:
        days = (time_us - time_us[-1]) / 8.64e10
        return middle + trend * days + swing * np.sin(2 * np.pi * hour_of_day(time_us) / 24)

    off = draw(st.sampled_from((12.0, 29.0, 33.0)))
    return draw(faulty(usual, lambda t: np.full(t.shape, off)))


@st.composite
def lamps(draw: Any) -> Curve:
    """A lamp of any strength and hours, perhaps dead for a while."""
    on, off = draw(st.sampled_from((8.0, 10.0))), draw(st.sampled_from((15.0, 18.0, 23.0)))
    lux = draw(st.sampled_from((4_000.0, 12_000.0, 30_000.0)))
    return draw(faulty(lambda t: lamp(t, on, off, lux), lambda t: np.full(t.shape, 3.0)))


ENTRIES: tuple[tuple[LogKind, dict[str, Any]], ...] = (
    (LogKind.WATER_CHANGE, {"fraction": 0.5}),
    (LogKind.WATER_CHANGE, {"fraction": 0.3, "temperature_c": 18.0}),
    (LogKind.DOSE, {"name": "macro", "ml": 60.0}),
    (LogKind.DOSE, {"name": "iron", "g": 0.36}),
    (LogKind.KH_TEST, {"kh_meq_l": KH_4}),
    (LogKind.CALIBRATION, {"quantity": "ph", "slope_percent": 85.0}),
    (LogKind.CALIBRATION, {"quantity": "ph", "slope_percent": 98.0}),
    (LogKind.REPLANT, {"fraction": 0.6}),
    (LogKind.TRIM, {"fraction": 0.5}),
    (LogKind.STOCKING, {"species": "Danio rerio", "count": 6}),
    (LogKind.CYLINDER, {"g": 2000.0}),
    (LogKind.ADJUSTMENT, {"lever": Lever.GAS_FLOW.value, "after": "10 % more"}),
    (LogKind.SALT, {"g": 30.0}),
    (LogKind.MEDICATION, {"name": "invented remedy"}),
)


@st.composite
def logs(draw: Any, now: Any) -> list[LogEntry]:
    """Some entries of the last months, newest first."""
    drawn = draw(
        st.lists(
            st.tuples(st.sampled_from(ENTRIES), st.sampled_from((1, 7, 30, 60, 180, 900, 2000))),
            max_size=6,
            unique_by=lambda pair: (pair[0][0], pair[1]),
        )
    )
    made = [entry(kind, now - timedelta(hours=ago), **data) for (kind, data), ago in drawn]
    return sorted(made, key=lambda one: one.time, reverse=True)


@st.composite
def views(draw: Any) -> TankView:
    """What is known of a generated tank at any hour of the day."""
    now = NOON.replace(hour=0) + timedelta(
        hours=draw(hours), minutes=draw(st.sampled_from((0, 25)))
    )
    return view_with(
        draw(tanks()),
        now,
        log=draw(logs(now)),
        co2=draw(co2_curves()),
        celsius=draw(warmths()),
        lux=draw(lamps()),
    )
