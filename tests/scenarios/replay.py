"""Plays weeks of a simulated tank at once and tells which recommendations came and went, when.

A scenario is a TOML file in this folder; everything in it is invented. Times are written
``DAY HH:MM``, counted from the scenario's first midnight, UTC. Simulation, derivation, rules and
bookkeeping are the real ones; only the store and the registry are kept in memory.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from demo.measuring import measured
from demo.model import Change, Gas, Heater, Lamp, Room, Sensor, TankModel, Water, WaterChange
from demo.simulator import simulate
from service.advice.engine.catalogue import evaluate
from service.advice.engine.change_events import ChangeKind, change_between
from service.advice.engine.lifecycle import active_conditions, advance, marked, may_last
from service.advice.engine.recommendation import Recommendation, Severity
from service.derive.co2.target import target_of
from service.derive.gas_exchange import gas_model_of
from service.derive.inputs import Inputs
from service.derive.models import GasModel, TankView
from service.derive.sensor_choice import ChosenSeries, chosen_series, usable
from service.derive.tank_view import tank_view
from service.derive.tolerance import tolerance_of
from service.registry.documents import from_document, to_document
from service.registry.models import (
    Dimensions,
    DosePlan,
    LogEntry,
    LogKind,
    PhotoperiodPlan,
    PlantDemand,
    Stock,
    Tank,
    WaterChangePlan,
)
from service.registry.recommendations import State
from service.registry.volume import net_volume_l
from service.science.water.hardness import MEQ_L_PER_DEGREE
from service.store.model import Flag, Reading, Samples, SeriesInfo, SeriesKey
from service.times import from_us, to_us

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
"""Reminders that a kept tank gives as well; a scenario need not expect them."""


def base_tank() -> Tank:
    """A healthy, well-kept invented tank."""
    return Tank(
        id=TANK,
        name="Willow sill",
        dimensions=Dimensions(90, 45, 45, fill_height_cm=42, substrate_depth_cm=5, hardscape_l=6),
        net_volume_l=150.0,
        kh_meq_l=KH_4,
        gh_meq_l=6 * MEQ_L_PER_DEGREE,
        set_up=date(2025, 1, 10),
        livestock=(
            Stock("Paracheirodon innesi", 24, temperature_low_c=20.0, temperature_high_c=26.0,
                  co2_max_mg_l=30.0),
        ),
        plants=PlantDemand(18.0, 30.0, 1.5, 4.0),
        photoperiod=PhotoperiodPlan(time(10), 8.0, time(8), time(17, 40)),
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
    """One TOML file, read."""

    name: str
    title: str
    days: int
    tank: Tank
    model: TankModel
    log: list[LogEntry]
    faults: list[dict[str, Any]]
    marks: list[dict[str, Any]]
    expect: list[dict[str, Any]]
    also: tuple[str, ...]
    worst: Severity
    every_min: float
    fit_gas: bool
    seed: int


@dataclass
class Happening:
    """A recommendation opened, changed or closed at a moment."""

    time: datetime
    what: str
    one: Recommendation

    @property
    def key(self) -> tuple[str, str]:
        return self.one.finding.code, self.one.finding.subject


@dataclass
class Played:
    """What came of a scenario."""

    happenings: list[Happening] = field(default_factory=list)
    most_unfolded: int = 0
    contradictions: list[str] = field(default_factory=list)
    worst: Severity = Severity.INFO
    views: list[TankView] = field(default_factory=list)

    def of(self, what: str, code: str, subject: str | None = None) -> list[Happening]:
        return [
            one
            for one in self.happenings
            if one.what == what
            and one.key[0] == code
            and (subject is None or one.key[1] == subject)
        ]


def moment(text: str) -> datetime:
    """``3 18:30``: the scenario's fourth day (the first is 0), half past six in the evening."""
    day, clock = text.split()
    return datetime.combine(START.date() + timedelta(days=int(day)), time.fromisoformat(clock), UTC)


def load(path: Path) -> Scenario:
    """Read a scenario; an unknown key is an error."""
    raw = tomllib.loads(path.read_text(encoding="utf-8"))
    days = raw.pop("days")
    tank = from_document(_merged(to_document(base_tank()), raw.pop("tank", {})), Tank)
    log = list(_log(raw.pop("log", []), raw.pop("care", "weekly"), days, tank))
    changes, sensors = raw.pop("change", []), raw.pop("sensor", None)
    tap_meq_l = raw.pop("tap_meq_l", tank.water_change.tap_kh_meq_l)
    model = _model(raw.pop("model", {}), changes, sensors, log, tank, tap_meq_l)
    scenario = Scenario(
        name=path.stem,
        title=raw.pop("title"),
        days=days,
        tank=tank,
        model=model,
        log=log,
        faults=raw.pop("fault", []),
        marks=raw.pop("mark", []),
        expect=raw.pop("expect", []),
        also=(*ROUTINE, *raw.pop("also", [])),
        worst=Severity[raw.pop("worst", "urgent").upper()],
        every_min=raw.pop("every_min", 60),
        fit_gas=raw.pop("fit_gas", False),
        seed=raw.pop("seed", 1),
    )
    assert not raw, f"{path.name}: unknown keys {sorted(raw)}"
    return scenario


def play(scenario: Scenario, *, keep_views: bool = False) -> Played:
    """Play a scenario from its first midnight to its last."""
    tank, played = scenario.tank, Played()
    series = _series(scenario)
    living: list[Recommendation] = []
    known_days: dict[date, Any] = {}
    gas: GasModel | None = None
    log_seen: tuple[LogEntry, ...] = ()
    marks = list(scenario.marks)
    now = START
    while now <= START + timedelta(days=scenario.days):
        material = _material(tank, now, scenario.log, series)
        if material.log != log_seen:
            known_days, log_seen = {}, material.log
        view = tank_view(material, known_days=known_days, gas=gas)
        known_days |= {one.day: one for one in view.light_days if one.complete}
        if scenario.fit_gas and now.time() == time(9):
            gas = _fit(view, series)
        findings = evaluate(view, active_conditions(living))
        after = advance(living, tank.id, findings, now, view.log)
        change = change_between(living, after, now)
        after = list(change.after)
        _note(played, change, now, after)
        living = [_marked(one, marks, now) for one in after if may_last(one)]
        if keep_views:
            played.views.append(view)
        now += timedelta(minutes=scenario.every_min)
    return played


def _note(played: Played, change: Any, now: datetime, after: list[Recommendation]) -> None:
    for what, ones in (
        ("opened", change.of(ChangeKind.OPENED)),
        ("changed", change.of(ChangeKind.CHANGED)),
        ("closed", change.of(ChangeKind.CLEARED)),
    ):
        played.happenings += [Happening(now, what, one) for one in ones]
    open_ones = [one for one in after if one.state is State.OPEN]
    played.most_unfolded = max(played.most_unfolded, sum(not one.folded for one in open_ones))
    moves = {move for one in open_ones for move in one.finding.moves}
    if {"co2:raise", "co2:lower"} <= moves:
        played.contradictions.append(f"{now}: raise and lower CO2")
    played.worst = max([played.worst, *(one.finding.severity for one in open_ones)])


def _marked(one: Recommendation, marks: list[dict[str, Any]], now: datetime) -> Recommendation:
    for mark in marks:
        if one.finding.code == mark["code"] and now >= moment(mark["at"]) and not mark.get("done"):
            mark["done"] = True
            until = moment(mark["until"]) if "until" in mark else None
            return marked(one, State(mark["state"]), now, until)
    return one


@dataclass
class Recorded:
    """All readings of one sensor, in time order."""

    key: SeriesKey
    time_us: np.ndarray
    value: np.ndarray
    flags: np.ndarray

    def until(self, now_us: int, start_us: int) -> Samples:
        part = slice(
            int(np.searchsorted(self.time_us, start_us)),
            int(np.searchsorted(self.time_us, now_us, side="right")),
        )
        return Samples(self.time_us[part], self.value[part], self.flags[part])


def _series(scenario: Scenario) -> list[Recorded]:
    """Simulate, measure and spoil with the scenario's faults."""
    start_s = (START - BEFORE).timestamp()
    end_s = (START + timedelta(days=scenario.days)).timestamp()
    trace = simulate(
        scenario.model, start_s, end_s, seed=scenario.seed, origin_s=start_s, step_s=STEP_S
    )
    found = []
    for sensor in scenario.model.sensors:
        time_s, value = measured(TANK, sensor, trace, seed=scenario.seed, origin_s=start_s)
        one = Recorded(
            SeriesKey(TANK, sensor.quantity, sensor.name),
            np.rint(time_s * 1e6).astype(np.int64),
            value.copy(),
            np.zeros(time_s.shape, np.int32),
        )
        for fault in scenario.faults:
            if fault["sensor"] == f"{sensor.quantity}/{sensor.name}":
                one = _spoiled(one, fault)
        found.append(one)
    return found


def _spoiled(one: Recorded, fault: Mapping[str, Any]) -> Recorded:
    begin, end = to_us(moment(fault["from"])), to_us(moment(fault.get("until", "999 00:00")))
    here = (one.time_us >= begin) & (one.time_us < end)
    kind = fault["kind"]
    if kind == "silent":
        return Recorded(one.key, one.time_us[~here], one.value[~here], one.flags[~here])
    if kind == "offset":
        one.value[here] += fault["by"]
    elif kind == "stuck":  # flagged after an hour, as the ingester does
        one.value[here] = one.value[np.flatnonzero(here)[0]]
        one.flags[here & (one.time_us >= begin + 3_600_000_000)] |= int(Flag.STUCK)
    elif kind == "implausible":
        one.value[here] = fault["value"]
        one.flags[here] |= int(Flag.IMPLAUSIBLE)
    else:
        raise AssertionError(f"fault kind is {kind!r}")
    return one


def _material(tank: Tank, now: datetime, log: list[LogEntry], series: list[Recorded]) -> Inputs:
    now_us, start_us = to_us(now), to_us(now - timedelta(days=8))
    parts = {one.key: one.until(now_us, start_us) for one in series}
    infos = tuple(SeriesInfo(key, _last(key, part)) for key, part in parts.items() if len(part))
    chosen: dict[str, ChosenSeries] = {}
    latest: dict[str, Reading] = {}
    samples: dict[str, Samples] = {}
    for quantity in {info.key.quantity for info in infos}:
        one = chosen_series(tank, quantity, infos, now)
        chosen[quantity] = one
        if one.info is None:
            continue
        good = parts[one.info.key].usable()
        samples[quantity] = good
        if usable(one.info.last):
            latest[quantity] = one.info.last
        elif len(good):
            latest[quantity] = _last(one.info.key, good)
    entries = tuple(one for one in log if one.time <= now)
    return Inputs(
        tank,
        now,
        now - timedelta(days=8),
        entries,
        infos,
        chosen,
        latest,
        samples,
        latest.get("temperature"),
    )


def _last(key: SeriesKey, part: Samples) -> Reading:
    return Reading(
        key.tank, key.quantity, key.sensor, int(part.time_us[-1]), float(part.value[-1]),
        Flag(int(part.flags[-1])),
    )  # fmt: skip


def _fit(view: TankView, series: list[Recorded]) -> GasModel:
    warm = next(one for one in series if one.key.quantity == "temperature")
    samples = warm.until(to_us(view.now), to_us(view.now - timedelta(days=8)))
    target = target_of(view.tank, tolerance_of(view.tank, view.log, view.now).co2_max_mg_l)
    return gas_model_of(
        view.tank, view.now, view.co2_series, samples, view.light_days, target,
        net_volume_l(view.tank),
    )  # fmt: skip


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
        _entry(moment(row.pop("at")), LogKind(row.pop("kind")), **row) for row in map(dict, rows)
    ]
    assert care in ("weekly", "until", "none"), care
    if care != "none":
        entries += list(_care(days if care == "weekly" else 0, tank))
    yield from sorted(entries, key=lambda one: one.time, reverse=True)


def _care(days: int, tank: Tank) -> Iterator[LogEntry]:
    """Weekly change with doses, filter and tests in their time, as a kept tank has them."""
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


def _entry(at: datetime, kind: LogKind, **data: Any) -> LogEntry:
    note = str(data.pop("note", ""))
    return LogEntry(f"{kind}-{to_us(at)}-{data.get('name', '')}", TANK, kind, at, data, note)


def _model(
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
        kept = [one for one in model.sensors if (one.quantity, one.name) not in names]
        own = [Sensor(every_s=STEP_S, **one) for one in sensors if not one.pop("absent", False)]
        model = replace(model, sensors=(*kept, *own))
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


def trail(played: Played) -> str:
    """What happened, one line each; for people who write scenarios."""
    lines = []
    for one in played.happenings:
        if one.what == "changed":
            continue
        since = one.time - START
        clock = f"{since.days} {one.time:%H:%M}"
        state = f" {one.one.state}" if one.what == "closed" else f" {one.one.finding.severity.word}"
        lines.append(f"{clock:>9} {one.what:7}{state:10} {'/'.join(filter(None, one.key))}: "
                     f"{one.one.finding.title}")  # fmt: skip
    return "\n".join(lines)


__all__ = ["FOLDER", "START", "Played", "Scenario", "from_us", "load", "moment", "play", "trail"]


if __name__ == "__main__":  # python -m tests.scenarios.replay NAME: look at one scenario
    import sys

    for wanted in sys.argv[1:]:
        scenario = load(FOLDER / f"{wanted}.toml")
        sys.stdout.write(f"{scenario.title}\n{trail(play(scenario))}\n")
