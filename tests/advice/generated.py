"""Invented tanks by chance: stock, plans and faults laid over the simulation, for hypothesis."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Any

from hypothesis import strategies as st

from service.advice.engine.recommendation import Severity
from service.registry.models.log import Lever, LogEntry, LogKind
from service.registry.models.plans import Cylinder, DosePlan, GasPlan, LightPlan, WaterChangePlan
from service.registry.models.tank import Dimensions, Plant, Stock, Tank
from service.science.water.hardness import MEQ_L_PER_DEGREE
from service.times import to_us
from tests.scenarios.scenario import (
    BEFORE,
    KH_4,
    START,
    TANK,
    Scenario,
    base_tank,
    model_of,
)

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


@dataclass(frozen=True)
class Generated:
    """A tank with its past, and the moments of a day at which it is looked at.

    Attributes:
        moments: UTC, in order.
        fit_gas: whether the gas exchange is fitted to its days.
    """

    scenario: Scenario
    moments: tuple[datetime, ...]
    fit_gas: bool


stocks = st.lists(st.sampled_from(SPECIES), max_size=3, unique=True).map(
    lambda names: tuple(Stock(name, 10) for name in names)
)
depths = st.none() | st.just(Dimensions(90, 45, 45, fill_height_cm=42, substrate_depth_cm=5))


@st.composite
def tanks(draw: Any) -> Tank:
    """A tank with any stock and any plans."""
    gas_on = draw(st.none() | st.sampled_from((time(7, 40), time(8), time(10))))
    light = LightPlan(time(10), draw(st.sampled_from((5.0, 8.0, 11.0))))
    gas = GasPlan(gas_on, gas_on and time(17))
    cold = draw(st.none() | st.sampled_from((8.0, 14.0, 18.0)))
    tap_dkh = draw(st.none() | st.sampled_from((0.5, 4.0, 12.0)))
    change = WaterChangePlan(
        every_days=7.0,
        fraction=draw(st.sampled_from((0.2, 0.5, 0.8))),
        tap_kh_meq_l=None if tap_dkh is None else tap_dkh * MEQ_L_PER_DEGREE,
        tap_temperature_c=cold,
        hot_temperature_c=draw(st.none() | st.just(55.0)) if cold is not None else None,
        target_kh_meq_l=draw(st.none() | st.just(KH_4)),
    )
    thresholds = {"stem_growth_cm_week": 8.0} if draw(st.booleans()) else {}
    return replace(
        base_tank(),
        dimensions=draw(depths),
        net_volume_l=draw(st.none() | st.just(150.0)),
        animals=draw(stocks),
        plants=(Plant("Rotala rotundifolia"), Plant("Anubias barteri")),
        heated=draw(st.booleans()),
        co2_injected=draw(st.sampled_from((True, True, True, False))),
        light=light,
        gas=gas,
        water_change=change,
        doses=(DosePlan("macro", ml_per_100_l=10.0), DosePlan("iron", g_per_100_l=0.2)),
        thresholds=thresholds,
        cylinder=Cylinder(500.0, date(2026, 1, 25)),
        contact=draw(st.sampled_from(("", "Invented keeper, extension 12"))),
    )


PHYSICS: dict[str, tuple[Any, ...]] = {
    "gas.injection_mg_l_h": (6.0, 12.6, 14.0, 16.0, 16.0, 24.0, 36.0),
    "gas.off": ("17:40", "17:40", "23:00"),
    "lamp.hours": (5.0, 8.0, 8.0, 11.0),
    "lamp.lux": (3_000.0, 8_000.0, 24_000.0),
    "room.mean_c": (17.0, 21.0, 23.0, 26.0, 30.0),
    "room.swing_c": (0.5, 1.2, 3.0),
    "water.k20_per_h": (0.4, 0.6, 1.0),
    "water.alkalinity_meq_l": (KH_4, KH_4, 0.7 * KH_4),
}
"""What the tank is like all the time; some values are more likely than others."""

FAULTS: tuple[tuple[str, Any], ...] = (
    ("gas.injection_mg_l_h", 0.0),
    ("gas.injection_mg_l_h", 8.0),
    ("gas.injection_mg_l_h", 45.0),
    ("gas.on", "11:30"),
    ("gas.off", "07:59"),  # open day and night
    ("lamp.lux", 2.0),
    ("lamp.hours", 14.0),
    ("lamp.on", "08:00"),
    ("room.mean_c", 33.0),
    ("room.mean_c", 12.0),
    ("heater", "none"),
    ("heater.set_c", 34.0),
)
"""What goes wrong with the tank at some moment."""

SENSOR_FAULTS: tuple[dict[str, Any], ...] = (
    {"sensor": "temperature/main", "kind": "silent"},
    {"sensor": "temperature/main", "kind": "implausible", "value": 85.0},
    {"sensor": "ph/glass", "kind": "silent"},
    {"sensor": "ph/glass", "kind": "stuck"},
    {"sensor": "ph/glass", "kind": "offset", "by": 0.4},
    {"sensor": "ph/glass", "kind": "offset", "by": -0.4},
    {"sensor": "illuminance/main", "kind": "constant", "value": 65_535.0},
    {"sensor": "illuminance/main", "kind": "silent"},
)

ENTRIES: tuple[tuple[LogKind, dict[str, Any]], ...] = (
    (LogKind.WATER_CHANGE, {"fraction": 0.5}),
    (LogKind.WATER_CHANGE, {"fraction": 0.3, "temperature_c": 18.0}),
    (LogKind.DOSE, {"name": "macro", "ml": 60.0}),
    (LogKind.DOSE, {"name": "iron", "g": 0.36}),
    (LogKind.KH_TEST, {"kh_meq_l": KH_4}),
    (LogKind.CALIBRATION, {"quantity": "ph", "slope_percent": 85.0}),
    (LogKind.CALIBRATION, {"quantity": "ph", "slope_percent": 98.0}),
    (LogKind.REPLANT, {"fraction": 0.6}),
    (LogKind.TRIM, {"fraction": 0.5, "height_cm": 15.0}),
    (LogKind.STOCKING, {"species": "Danio rerio", "count": 6}),
    (LogKind.CYLINDER, {"g": 500.0}),
    (LogKind.ADJUSTMENT, {"lever": Lever.GAS_FLOW.value, "after": "10 % more"}),
    (LogKind.SALT, {"g": 30.0}),
    (LogKind.MEDICATION, {"name": "invented remedy"}),
)


@st.composite
def logs(draw: Any, now: datetime) -> list[LogEntry]:
    """Some entries of the last months, newest first."""
    drawn = draw(
        st.lists(
            st.tuples(st.sampled_from(ENTRIES), st.sampled_from((1, 7, 30, 60, 180, 900, 2000))),
            max_size=6,
            unique_by=lambda pair: (pair[0][0], pair[1]),
        )
    )
    made = []
    for number, ((kind, data), ago_h) in enumerate(drawn):
        at = now - timedelta(hours=ago_h)
        made.append(LogEntry(f"{kind}-{to_us(at)}-{number}", TANK, kind, at, data))
    return sorted(made, key=lambda one: one.time, reverse=True)


def _moment(ago_h: float, now: datetime) -> str:
    """A moment before another, as scenarios write it: ``DAY HH:MM``."""
    at = now - timedelta(hours=ago_h)
    return f"{(at.date() - START.date()).days} {at:%H:%M}"


@st.composite
def changes(draw: Any, now: datetime) -> list[dict[str, Any]]:
    """None, one or two faults of the tank, each since some hours."""
    part = lambda one: one[0] if one[0].startswith("gas") else one[0].split(".")[0]  # noqa: E731
    some = draw(st.lists(st.sampled_from(FAULTS), max_size=2, unique_by=part))
    hours = st.sampled_from((1.0, 3.0, 6.0, 26.0, 80.0))
    return [
        {"at": _moment(draw(hours), now), "field": field, "value": value} for field, value in some
    ]


@st.composite
def sensor_faults(draw: Any, now: datetime) -> list[dict[str, Any]]:
    """Perhaps one fault of a sensor, over or not."""
    fault = draw(st.none() | st.none() | st.sampled_from(SENSOR_FAULTS))
    if fault is None:
        return []
    begin_h = draw(st.sampled_from((2.0, 5.0, 30.0)))
    over = {"until": _moment(0.5, now)} if draw(st.booleans()) else {}
    return [{**fault, "from": _moment(begin_h, now), **over}]


@st.composite
def generated(draw: Any) -> Generated:
    """A tank, ten days of its past, and two or three moments of a day."""
    tank = draw(tanks())
    hours = draw(
        st.lists(
            st.sampled_from((0.0, 3.0, 7.0, 9.0, 11.0, 12.0, 14.0, 16.5, 19.0, 21.0)),
            min_size=2,
            max_size=3,
            unique=True,
        )
    )
    moments = tuple(START + timedelta(hours=hour) for hour in sorted(hours))
    now = moments[-1]
    log = draw(logs(now))
    over = {name: draw(st.sampled_from(values)) for name, values in PHYSICS.items()}
    heater = {"heater.set_c": draw(st.sampled_from((22.0, 24.0, 26.0)))}
    over |= heater if tank.heated else {"heater": "none"}
    off = [one for one in draw(changes(now)) if tank.heated or one["field"] != "heater.set_c"]
    recent = [one for one in log if one.time > START - BEFORE]
    noise = draw(st.sampled_from((0.01, 0.05)))
    sensors = [{"quantity": "ph", "name": "glass", "noise_sd": noise}]
    scenario = Scenario(
        name="generated",
        title="Generated",
        days=1,
        tank=tank,
        model=model_of(over, off, sensors, recent, tank, tank.water_change.tap_kh_meq_l),
        log=log,
        faults=draw(sensor_faults(now)),
        clocks=[],
        marks=[],
        expect=[],
        also=(),
        worst=Severity.URGENT,
        every_min=60,
        fit_gas=False,
        seed=draw(st.integers(0, 3)),
        judged=False,
        registered=[],
    )
    return Generated(scenario, moments, draw(st.sampled_from((False,) * 7 + (True,))))
