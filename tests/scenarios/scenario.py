"""Reads a scenario: an invented tank, what happens to it, and what advice should come of it.

A scenario is a TOML file in this folder; everything in it is invented. Times are written
``DAY HH:MM``, counted from the scenario's first midnight, UTC.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from demo.model import Change, Gas, Heater, Lamp, Room, Sensor, TankModel, Water, WaterChange
from service.advice.engine.recommendation import Severity
from service.registry.documents import from_document, to_document
from service.registry.log.adjustments import adjustments
from service.registry.models.ingest import DeviceClock
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.plans import (
    DosePlan,
    GasPlan,
    LightPlan,
    PlantTargets,
    WaterChangePlan,
)
from service.registry.models.tank import Dimensions, KhKit, Stock, Tank
from service.science.carbonate.kh_methods import KhMethod
from service.science.water.hardness import MEQ_L_PER_DEGREE
from service.times import to_us

FOLDER = Path(__file__).parent
START = datetime(2026, 3, 2, tzinfo=UTC)
BEFORE = timedelta(days=9)
"""The simulation begins so long before the first day, so that rules see a past."""
STEP_S = 300.0
KH_4 = 4 * MEQ_L_PER_DEGREE
TANK = "willow"

ROUTINE = (
    "water-change-due",
    "dose-due",
    "prefilter-due",
    "filter-due",
    "kh-test-due",
    "calibration-due",
)
"""Reminders that a well-kept tank gives as well; a scenario need not expect them."""


def base_tank() -> Tank:
    """A healthy, well-kept invented tank."""
    return Tank(
        id=TANK,
        name="Willow sill",
        dimensions=Dimensions(90, 45, 45, fill_height_cm=42, substrate_depth_cm=5, hardscape_l=6),
        net_volume_l=150.0,
        kh_meq_l=KH_4,
        kh_kit=KhKit(KhMethod.TITRATION, MEQ_L_PER_DEGREE),
        gh_meq_l=6 * MEQ_L_PER_DEGREE,
        set_up=date(2025, 1, 10),
        animals=(
            Stock("Paracheirodon innesi", 24, temperature_low_c=20.0, temperature_high_c=26.0,
                  co2_max_mg_l=30.0),
        ),
        targets=PlantTargets(18.0, 30.0, 1.5, 4.0),
        light=LightPlan(time(10), 8.0), gas=GasPlan(time(8), time(17, 40)),
        water_change=WaterChangePlan(7, 0.5, KH_4, 23.0),
        doses=(DosePlan("macro", ml_per_100_l=10.0), DosePlan("trace", ml_per_100_l=4.0)),
    )  # fmt: skip


def base_model() -> TankModel:
    """The physics of the healthy tank: within target from lights-on to shortly before the end."""
    return TankModel(
        TANK,
        lamp=Lamp(time(10), 8.0, 20.0, 8_000.0, heat_k_h=0.1),
        gas=Gas(time(8), time(17, 40), 16.0),
        room=Room(21.0, 1.2, weather_sd_c=0.3),
        heater=Heater(23.5, 0.3, 1.2),
        water=Water(KH_4, 6 * MEQ_L_PER_DEGREE, k20_per_h=0.6),
        sensors=(
            Sensor("temperature", "main", STEP_S, noise_sd=0.05),
            Sensor("ph", "glass", STEP_S, noise_sd=0.012),
            Sensor("illuminance", "main", STEP_S, noise_sd=3.0, noise_relative=0.01),
        ),
    )


@dataclass
class Scenario:
    """One TOML file, read.

    Attributes:
        log: newest first.
        faults: what goes wrong with a sensor, from when to when.
        clocks: of sensors, that are off, from when to when.
        marks: what somebody does about a recommendation, and when.
        restocked: the animals as registered from a moment on.
        expect: the recommendations that should open, and when they should close.
        also: codes that may come beside them.
        worst: the highest severity that may come.
        never: a move, or words, that no open recommendation has, from when to when.
        sheets: made at a moment, for so long; what is not on them, and what waits for the keeper.
        fit_gas: whether the gas exchange is fitted, which takes time.
        judged: whether the readings have the flags that the ingester gives.
    """

    name: str
    title: str
    days: int
    tank: Tank
    model: TankModel
    log: list[LogEntry]
    faults: list[dict[str, Any]]
    clocks: list[dict[str, Any]]
    marks: list[dict[str, Any]]
    expect: list[dict[str, Any]]
    also: tuple[str, ...]
    worst: Severity
    every_min: float
    fit_gas: bool
    seed: int
    judged: bool
    registered: list[tuple[datetime, Tank]]
    never: list[dict[str, Any]] = field(default_factory=list)
    sheets: list[dict[str, Any]] = field(default_factory=list)

    def tank_at(self, now: datetime) -> Tank:
        """The tank as somebody registered it last."""
        newest = [tank for at, tank in self.registered if at <= now]
        return newest[-1] if newest else self.tank

    def clocks_at(self, now: datetime) -> list[DeviceClock]:
        """The clocks that are known to be off at a moment."""
        return [
            DeviceClock(TANK, *one["sensor"].split("/"), one["fast_s"], moment(one["from"]))
            for one in self.clocks
            if moment(one["from"]) <= now < moment(one["until"])
        ]


def moment(text: str) -> datetime:
    """``3 18:30``: the scenario's fourth day (the first is 0), half past six in the evening."""
    day, clock = text.split()
    return datetime.combine(START.date() + timedelta(days=int(day)), time.fromisoformat(clock), UTC)


def load_scenario(path: Path) -> Scenario:
    """Read a scenario; an unknown key is an error."""
    raw = tomllib.loads(path.read_text(encoding="utf-8"))
    days = raw.pop("days")
    tank = from_document(_merged(to_document(base_tank()), raw.pop("tank", {})), Tank)
    registered = list(_registered(tank, raw.pop("registered", [])))
    log = list(_log(raw.pop("log", []), raw.pop("care", "weekly"), days, tank))
    log = sorted([*log, *_adjusted(tank, registered)], key=lambda one: one.time, reverse=True)
    changes, sensors = raw.pop("change", []), raw.pop("sensor", None)
    tap_meq_l = raw.pop("tap_meq_l", tank.water_change.tap_kh_meq_l)
    model = model_of(raw.pop("model", {}), changes, sensors, log, tank, tap_meq_l)
    scenario = Scenario(
        name=path.stem,
        title=raw.pop("title"),
        days=days,
        tank=tank,
        model=model,
        log=log,
        faults=raw.pop("fault", []),
        clocks=raw.pop("clock", []),
        marks=raw.pop("mark", []),
        expect=raw.pop("expect", []),
        also=(*ROUTINE, *raw.pop("also", [])),
        worst=Severity[raw.pop("worst", "urgent").upper()],
        every_min=raw.pop("every_min", 60),
        fit_gas=raw.pop("fit_gas", False),
        seed=raw.pop("seed", 1),
        judged=raw.pop("judged", False),
        registered=registered,
        never=raw.pop("never", []),
        sheets=raw.pop("sheet", []),
    )
    assert not raw, f"{path.name}: unknown keys {sorted(raw)}"
    return scenario


def _registered(tank: Tank, rows: list[dict[str, Any]]) -> Iterator[tuple[datetime, Tank]]:
    """The tank after each change that somebody registered."""
    for row in map(dict, rows):
        at = moment(row.pop("at"))
        tank = from_document(_merged(to_document(tank), row), Tank)
        yield at, tank


def _adjusted(tank: Tank, registered: list[tuple[datetime, Tank]]) -> Iterator[LogEntry]:
    """What the registry logs by itself when plans are changed."""
    for at, after in registered:
        for one in adjustments(tank, after):
            yield _entry(at, LogKind.ADJUSTMENT, **one.data)
        tank = after


def _merged(base: dict[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    result = dict(base)
    for name, value in over.items():
        assert name in base or name in ("thresholds", "equipment"), f"no such field: {name}"
        if value == "none":
            value = None
        if isinstance(value, dict):
            plain = {key: None if one == "none" else one for key, one in value.items()}
            value = {**(base.get(name) or {}), **plain}
        result[name] = value
    return result


def _log(rows: list[dict[str, Any]], care: str, days: int, tank: Tank) -> Iterator[LogEntry]:
    """The scenario's entries and those of usual care; newest first."""
    entries = [
        _entry(moment(row.pop("at")), LogKind(row.pop("kind")), **_data(row))
        for row in map(dict, rows)
    ]
    assert care in ("weekly", "until", "none"), care
    if care != "none":
        entries += list(_care(days if care == "weekly" else 0, tank))
    yield from sorted(entries, key=lambda one: one.time, reverse=True)


def _data(row: dict[str, Any]) -> dict[str, Any]:
    """The data of an entry; what was seen on a scale is written ``seen = ["tufts", 2]``."""
    kind, level = row.pop("seen", (None, None))
    return row if kind is None else {**row, "kind": kind, "level": level}


def _care(days: int, tank: Tank) -> Iterator[LogEntry]:
    """Weekly change with doses, filter and tests in their time, as a well-kept tank has them."""
    for day in range(-7, days - 4, 7):
        at = datetime.combine(START.date() + timedelta(days=day + 5), time(18, 30), UTC)
        yield _entry(at, LogKind.WATER_CHANGE, fraction=0.5)
        for plan in tank.doses:
            if plan.ml_per_100_l is not None:
                ml = plan.ml_per_100_l * 1.5
                yield _entry(at + timedelta(minutes=20), LogKind.DOSE, name=plan.name, ml=ml)
        yield _entry(at + timedelta(minutes=25), LogKind.FILTER_CLEAN, part="pre-filter")
    for day in range(-3, days + 1, 14):
        at = datetime.combine(START.date() + timedelta(days=day), time(18), UTC)
        yield _entry(at, LogKind.KH_TEST, kh_meq_l=KH_4)
        yield _entry(at, LogKind.CALIBRATION, quantity="ph", slope_percent=98.0)
        yield _entry(at, LogKind.FILTER_CLEAN, part="filter")


def _entry(at: datetime, log_kind: LogKind, **data: Any) -> LogEntry:
    note = str(data.pop("note", ""))
    name = data.get("name", data.get("kind", ""))
    return LogEntry(f"{log_kind}-{to_us(at)}-{name}", TANK, log_kind, at, data, note)


def model_of(
    over: Mapping[str, Any],
    changes: list[dict[str, Any]],
    sensors: list[dict[str, Any]] | None,
    log: list[LogEntry],
    tank: Tank,
    tap_meq_l: float | None,
) -> TankModel:
    """The base model, changed for good and on the way; logged water changes happen to it."""
    model = replace(base_model(), time_zone=tank.time_zone)
    if sensors is not None:
        names = {(one["quantity"], one["name"]) for one in sensors}
        others = [one for one in model.sensors if (one.quantity, one.name) not in names]
        own = [Sensor(every_s=STEP_S, **one) for one in sensors if not one.pop("absent", False)]
        model = replace(model, sensors=(*others, *own))
    first_s = (START - BEFORE).timestamp() - 1
    events: list[Any] = [Change(first_s, name, _value(value)) for name, value in over.items()]
    events += [
        Change(moment(one["at"]).timestamp(), one["field"], _value(one["value"])) for one in changes
    ]
    plan = tank.water_change
    events += [
        WaterChange(
            one.time.timestamp(),
            float(one.data["fraction"]),
            float(one.data.get("temperature_c", plan.tap_temperature_c or 23.0)),
            tap_meq_l,
        )
        for one in log
        if one.kind == LogKind.WATER_CHANGE
    ]
    return replace(model, events=tuple(events))


def _value(value: Any) -> Any:
    """TOML's text of a time of day or of nothing as the model has it."""
    if value == "none":
        return None
    if isinstance(value, str) and len(value) == 5 and value[2] == ":":
        return time.fromisoformat(value)
    return value
