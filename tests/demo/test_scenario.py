"""The invented tanks: valid in the registry, told relative to now, and what each is meant to be."""

from __future__ import annotations

import json
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import numpy as np
import pytest

from demo.history import Past, as_stored, register
from demo.measuring import check_sensor
from demo.scenario import DemoTank, latest_at
from demo.simulator import DAY_S, Trace, simulate
from demo.tanks import emberpane, lateleaf, quillwater, scenario
from demo.wire import Form, Wire
from service.derive.inhabitants.tolerance import tolerance_of
from service.registry.models.log import LogKind
from service.registry.species.names import species
from service.registry.species.ranges import comfortable_range, tolerable_range
from service.science.temperature.excursions import excursions
from service.store import Flag, Reading, SeriesKey, open_store
from tests.registries import sqlite_registry

ORIGIN = datetime(2031, 3, 5, 11, 30, tzinfo=UTC)
SCENARIO = scenario(ORIGIN)
TANKS = {one.tank.id: one for one in SCENARIO.tanks}


def course(one: DemoTank, days: int = 6, hours: float = 12.0) -> Trace:
    """The last days before the origin and some hours of the demo."""
    begin = ORIGIN.timestamp() - (days + 2) * DAY_S
    end = ORIGIN.timestamp() + hours * 3600
    trace = simulate(one.model, begin, end, seed=7, origin_s=ORIGIN.timestamp())
    keep = trace.time_s >= begin + 2 * DAY_S
    columns = (getattr(trace, name)[keep] for name in Trace.__dataclass_fields__)
    return Trace(*columns)


def lit(trace: Trace) -> np.ndarray:
    return trace.illuminance_lx > 500


def test_the_registry_takes_tanks_and_logs(tmp_path: Path) -> None:
    registry = sqlite_registry(tmp_path / "registry.db")
    register(SCENARIO, registry)
    assert [tank.id for tank in registry.tanks()] == ["emberpane", "lateleaf", "quillwater"]
    for one in SCENARIO.tanks:
        assert registry.tank(one.tank.id) == one.tank
        log = registry.log(one.tank.id)
        assert len(log) == len(one.log)
        assert all(entry.time < ORIGIN for entry in log)
    registry.close()


def test_every_sensor_is_known_and_has_a_wire() -> None:
    for one in SCENARIO.tanks:
        for sensor in one.model.sensors:
            check_sensor(sensor)
        keys = {SeriesKey(one.tank.id, s.quantity, s.name) for s in one.model.sensors}
        assert keys == set(one.wires)


def test_species_are_listed_by_their_scientific_names() -> None:
    for one in SCENARIO.tanks:
        for stock in one.tank.animals:
            assert species(stock.species) is not None, stock.species


def test_plans_and_physics_agree_on_the_timers() -> None:
    for one in SCENARIO.tanks:
        plans, lamp, gas = one.tank, one.model.lamp, one.model.gas
        assert gas is not None
        assert (plans.light.start, plans.light.photoperiod_h) == (lamp.on, lamp.hours)
        assert (plans.gas.start, plans.gas.end) == (gas.on, gas.off)


def test_the_tests_in_the_log_are_near_the_truth() -> None:
    """A drop test that counts whole degrees is within half a degree."""
    for one in SCENARIO.tanks:
        assert one.tank.kh_meq_l == pytest.approx(one.model.water.alkalinity_meq_l, abs=0.18)


def test_quillwater_is_healthy() -> None:
    one = TANKS[quillwater.ID]
    trace, aim = course(one), one.tank.targets
    ceiling = tolerance_of(one.tank, (), ORIGIN).co2
    shared = comfortable_range(one.tank.animals)
    assert ceiling is not None and shared.low_c is not None and shared.high_c is not None
    assert trace.co2_mg_l[lit(trace)].min() > aim.co2_low_mg_l
    assert trace.co2_mg_l.max() < min(aim.co2_high_mg_l, ceiling.co2_mg_l) - 2
    assert shared.low_c + 0.5 < trace.temperature_c.min()
    assert trace.temperature_c.max() < shared.high_c - 0.5
    dose = trace.ppfd_umol_m2_s[trace.time_s <= trace.time_s[0] + 5 * DAY_S].sum() * 60 / 1e6 / 5
    assert aim.dli_low_mol_m2_d < dose < aim.dli_high_mol_m2_d


def test_only_emberpane_leaves_its_range() -> None:
    for one in (TANKS[quillwater.ID], TANKS[lateleaf.ID]):
        shared = comfortable_range(one.tank.animals)
        trace = course(one)
        assert shared.low_c is not None and shared.high_c is not None
        assert shared.low_c + 0.4 < trace.temperature_c.min()
        assert trace.temperature_c.max() < shared.high_c - 0.4


def test_lateleaf_has_too_little_co2_at_lights_on() -> None:
    one = TANKS[lateleaf.ID]
    trace = course(one)
    hour = trace.time_s % DAY_S / 3600
    first_hours = lit(trace) & (hour < 12)
    assert trace.co2_mg_l[first_hours].max() < one.tank.targets.co2_low_mg_l * 0.8
    assert trace.co2_mg_l[lit(trace)].max() > one.tank.targets.co2_low_mg_l


def test_lateleaf_was_replanted_and_its_water_not_changed_since() -> None:
    log = sorted(TANKS[lateleaf.ID].log, key=lambda noted: noted.time)
    (replant,) = (noted for noted in log if noted.kind is LogKind.REPLANT)
    changes = [noted.time for noted in log if noted.kind is LogKind.WATER_CHANGE]
    assert ORIGIN - replant.time < timedelta(hours=3)
    assert max(changes) < replant.time


def test_emberpane_runs_too_warm_for_its_new_fish() -> None:
    one = TANKS[emberpane.ID]
    shared = tolerable_range(one.tank.animals)
    assert shared.high_species == emberpane.NEW_FISH
    trace = course(one, hours=0.0)
    found = excursions(trace.time_s, trace.temperature_c, shared.low_c, shared.high_c)
    assert len(found) >= 5
    assert not found[-1].end_known
    assert max(one.degree_hours for one in found) > 5
    assert trace.temperature_c[-1] > shared.high_c + 0.1
    (stocking,) = (noted for noted in one.log if noted.kind is LogKind.STOCKING)
    assert timedelta() < ORIGIN - stocking.time < timedelta(hours=36)


def test_emberpane_keeps_within_its_own_co2_aim() -> None:
    one = TANKS[emberpane.ID]
    trace = course(one)
    ceiling = tolerance_of(one.tank, (), ORIGIN).co2
    assert ceiling is not None and ceiling.newcomer
    assert trace.co2_mg_l.max() < ceiling.co2_mg_l
    assert trace.co2_mg_l[lit(trace)].min() > one.tank.targets.co2_low_mg_l


def test_only_lateleaf_lacks_a_change_and_doses_follow_every_change() -> None:
    for one in SCENARIO.tanks:
        changes = [n.time for n in one.log if n.kind is LogKind.WATER_CHANGE]
        assert ORIGIN - max(changes) < timedelta(days=7)
        for dose in one.tank.doses:
            given = [n for n in one.log if n.kind is LogKind.DOSE and n.data["name"] == dose.name]
            assert len(given) == len(changes)


def test_the_same_course_on_another_day_and_hour_of_running() -> None:
    later = scenario(ORIGIN + timedelta(days=400))
    for old, new in zip(SCENARIO.tanks, later.tanks, strict=True):
        shifted = [(n.kind, n.time + timedelta(days=400), n.data) for n in old.log]
        assert shifted == [(n.kind, n.time, n.data) for n in new.log]


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        ("2031-03-05T11:30:00+00:00", "2031-03-05T11:30:00+00:00"),
        ("2031-03-05T11:29:59+00:00", "2031-03-04T11:30:00+00:00"),
        ("2031-03-05T23:59:00+00:00", "2031-03-05T11:30:00+00:00"),
        ("2031-03-05T12:00:00+02:00", "2031-03-04T11:30:00+00:00"),
    ],
)
def test_the_clock_starts_at_the_latest_such_hour(now: str, expected: str) -> None:
    found = latest_at(datetime.fromisoformat(now), time(11, 30))
    assert found == datetime.fromisoformat(expected)


def test_history_is_laid_in_and_goes_on_without_a_seam(tmp_path: Path) -> None:
    store = open_store(f"sqlite:///{tmp_path / 'readings.db'}")
    past = Past(SCENARIO, days=2, seed=7)
    done: list[int] = []
    count = past.lay_in(store, done.append)
    assert sum(done) == past.days == 9
    held = store.series()
    extents = [store.extent(info.key) for info in held]
    assert sum(extent.count for extent in extents if extent) == count
    assert {info.key for info in held} == {key for one in SCENARIO.tanks for key in one.wires}
    for extent in extents:
        assert extent is not None
        assert extent.first_us >= past.start.timestamp() * 1e6
        assert 0 <= ORIGIN.timestamp() - extent.last_us / 1e6 < 3600
    _, first = past.tanks[quillwater.ID].until(ORIGIN.timestamp() + 60)
    assert {reading.time_us for reading in first} == {round(ORIGIN.timestamp() + 60) * 1_000_000}
    store.close()


def test_history_holds_what_the_wire_carries() -> None:
    """Fahrenheit in hundredths: 80.11 °F is 26.7278 °C (t_C = (t_F - 32) / 1.8)."""
    one = TANKS[emberpane.ID]
    reading = Reading(emberpane.ID, "temperature", "board-7", 0, 26.7301)
    assert one.wires[reading.key].payload(reading) == (
        b'{"board": 7, "reading": {"value": 80.11, "at": "1970-01-01T00:00:00Z"}}'
    )
    assert as_stored(one, reading).value == pytest.approx((80.11 - 32) / 1.8, abs=1e-9)


def test_an_absurd_value_is_flagged_in_history_too() -> None:
    one = TANKS[lateleaf.ID]
    assert as_stored(one, Reading(lateleaf.ID, "temperature", "main", 0, 84.0)).flags is (
        Flag.IMPLAUSIBLE
    )


def test_plain_and_object_payloads() -> None:
    reading = Reading("a", "ph", "glass-1", 1_900_000_000_500_000, 6.71449)
    assert Wire("t", digits=2).payload(reading) == b"6.71"
    assert Wire("t", Form.OBJECT).payload(reading) == (
        b'{"value": 6.714, "time": "2030-03-17T17:46:40.500000Z", "sensor": "glass-1"}'
    )


def test_a_senml_payload() -> None:
    """RFC 8428: base name before the name, registered unit, seconds since 1970."""
    reading = Reading("a", "ph", "glass-2", 1_900_000_000_500_000, 6.71449)
    assert json.loads(Wire("t", Form.SENML).payload(reading)) == [
        {"bn": "glass-2:", "n": "ph", "u": "pH", "t": 1_900_000_000.5, "v": 6.714}
    ]
