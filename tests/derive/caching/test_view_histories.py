"""Views of several tanks stay equal to fresh ones through random histories of what people and
sensors do: late and rewritten readings, edited logs, recalibration, changed plans."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import time, timedelta
from pathlib import Path

import numpy as np
import pytest

from service.derive.caching.view_cache import ViewCache
from service.derive.loader import load
from service.derive.tank_view import tank_view
from service.registry.models.log import LogKind
from service.registry.models.plans import GasPlan, LightPlan
from service.registry.models.tank import Tank
from service.registry.registry import Registry
from service.store.model import Flag, Reading, SeriesKey
from service.store.sqlite.store import SqliteStore
from service.times import to_us
from tests.derive.caching.reed import same
from tests.derive.pieces import KH_4, NOON, a_tank, days_of
from tests.registries import sqlite_registry

HOUR_US = 3_600_000_000
TANKS = ("reed", "sedge")
QUANTITIES = ("ph", "temperature", "illuminance")


class History:
    """Tanks, their sensors and what happens to them, by a seed."""

    def __init__(self, registry: Registry, store: SqliteStore, seed: int) -> None:
        self.registry, self.store = registry, store
        self.rng = np.random.default_rng(seed)
        self.now = NOON
        self._series = days_of(NOON + timedelta(days=6), days=16)
        self._seen_us = to_us(NOON - timedelta(days=10))
        for tank in TANKS:
            registry.put_tank(a_tank(id=tank, name=tank))
        self.pass_time(timedelta(0))

    def pass_time(self, span: timedelta) -> None:
        """Every sensor sends what it measured meanwhile."""
        self.now += span
        for quantity, one in self._series.items():
            here = (one.time_us > self._seen_us) & (one.time_us <= to_us(self.now))
            pairs = list(zip(one.time_us[here].tolist(), one.value[here].tolist(), strict=True))
            self.store.write([Reading(t, quantity, "s", *pair) for t in TANKS for pair in pairs])
        self._seen_us = to_us(self.now)

    def past_us(self) -> int:
        """A time of the last hours or days, on the sensors' own minute or beside it."""
        back_us = int(self.rng.choice([HOUR_US, 30 * HOUR_US, 250 * HOUR_US]) * self.rng.random())
        minute_us = 60_000_000
        at_us = (to_us(self.now) - back_us) // (5 * minute_us) * 5 * minute_us
        return at_us + int(self.rng.choice([0, 77_000_000]))

    def late(self, tank: Tank) -> None:
        """Readings come late, or are written again, some of them doubted."""
        for _ in range(int(self.rng.integers(1, 6))):
            quantity = str(self.rng.choice(QUANTITIES))
            usual = {"ph": 6.4, "temperature": 27.0, "illuminance": 9_000.0}[quantity]
            value = usual * float(self.rng.uniform(0.98, 1.02))
            flags = [Flag.NONE, Flag.LATE, Flag.SPIKE][self.rng.integers(3)]
            reading = Reading(tank.id, quantity, "s", self.past_us(), value, flags)
            self.store.write([reading])

    def recalibrated(self, tank: Tank) -> None:
        """A stretch of readings is computed anew after a calibration."""
        start_us = self.past_us()
        quantity = str(self.rng.choice(["ph", "temperature"]))
        found = self.store.read(SeriesKey(tank.id, quantity, "s"), start_us, to_us(self.now) + 1)
        pairs = zip(found.time_us.tolist(), (found.value + 0.1).tolist(), strict=True)
        self.store.write([Reading(tank.id, quantity, "s", *pair) for pair in pairs])
        self.registry.add_log(
            tank.id,
            LogKind.CALIBRATION,
            self.now - timedelta(hours=1),
            {"quantity": quantity, "sensor": "s", "offset": 0.1},
            recorded=self.now,
        )

    def another_sensor(self, tank: Tank) -> None:
        """A second sensor of a quantity sends, and may be chosen."""
        quantity = str(self.rng.choice(["ph", "temperature"]))
        at_us, value = to_us(self.now), {"ph": 6.9, "temperature": 22.0}[quantity]
        self.store.write(
            [Reading(tank.id, quantity, "new", at_us - n * HOUR_US, value) for n in range(9)]
        )
        if self.rng.random() < 0.5:
            self.registry.put_tank(replace(tank, sensors={quantity: "new"}))

    def logged(self, tank: Tank) -> None:
        """Something is written into the log, mostly of days ago."""
        at = self.now - timedelta(hours=float(self.rng.choice([0.2, 30.0, 150.0])))
        kind, data = [
            (LogKind.KH_TEST, {"kh_meq_l": KH_4 * float(self.rng.choice([0.5, 1.5]))}),
            (LogKind.WATER_CHANGE, {"fraction": 0.5}),
            (LogKind.STOCKING, {"species": "x", "count": 3}),
        ][self.rng.integers(3)]
        self.registry.add_log(tank.id, kind, at, data, recorded=self.now)

    def edited(self, tank: Tank) -> None:
        """An entry of the log is taken back."""
        entries = self.registry.log(tank.id)
        if entries:
            chosen = entries[int(self.rng.integers(len(entries)))]
            self.registry.delete_log(chosen.id, tank=tank.id)

    def planned(self, tank: Tank) -> None:
        """Light, gas or a threshold is planned otherwise."""
        changes: dict[str, object] = [
            {"light": LightPlan(time(int(self.rng.integers(8, 12))), 9.0)},
            {"gas": GasPlan(time(7), time(16))},
            {"thresholds": {"lit_on_lux": float(self.rng.choice([500.0, 50_000.0]))}},
            {"time_zone": "Asia/Kolkata"},
        ][self.rng.integers(4)]
        self.registry.put_tank(replace(tank, **changes))  # type: ignore[arg-type]

    def emptied(self, tank: Tank) -> None:
        """Its readings are deleted, and only the last are sent again."""
        self.store.delete_tank(tank.id)
        at_us = to_us(self.now)
        self.store.write([Reading(tank.id, quantity, "s", at_us, 7.0) for quantity in QUANTITIES])


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    registry = sqlite_registry(tmp_path / "registry.db")
    yield registry
    registry.close()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    store = SqliteStore.from_url(f"sqlite:///{tmp_path / 'readings.db'}")
    yield store
    store.close()


@pytest.mark.parametrize("seed", [2])
def test_views_are_as_fresh_ones_whatever_happened(
    seed: int, registry: Registry, store: SqliteStore
) -> None:
    history = History(registry, store, seed)
    views = ViewCache(registry, store)
    happens: list[Callable[[Tank], None]] = [
        history.late,
        history.late,
        history.recalibrated,
        history.another_sensor,
        history.logged,
        history.edited,
        history.planned,
    ]
    for step in range(12):
        views.begin()
        tanks = registry.tanks_of(TANKS)
        views.prepare(tanks, history.now)
        for tank in tanks:
            fresh = tank_view(load(tank, registry, store, history.now))
            assert same(views.view(tank, history.now), fresh)
        for tank in tanks:
            if history.rng.random() < 0.6:
                happens[int(history.rng.integers(len(happens)))](tank)
        if step == 8:
            history.emptied(tanks[0])
        minutes = float(history.rng.choice([0.0, 2.0, 5.0, 31.0, 65.0, 700.0]))
        history.pass_time(timedelta(minutes=minutes))
