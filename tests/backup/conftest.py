"""A registry and a store with something of everything in them, and where a restore goes."""

from __future__ import annotations

import json
import shutil
import stat
import tarfile
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.config import Config, RegistryConfig, StoreConfig
from service.registry.models.absence import Absence
from service.registry.models.access import Scope
from service.registry.models.ingest import Rejection
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.registry.registry import open_registry
from service.store import Flag, Reading, SeriesKey, open_store
from service.times import to_us

NOW = datetime(2025, 5, 4, 12, tzinfo=UTC)
KEY = SeriesKey("reed", "ph", "main")
COUNT = 500


@dataclass
class Place:
    """Where a configuration says that registry and store are."""

    config: Config
    secret: str = ""

    @property
    def words(self):
        return {
            "LITTORAL_REGISTRY__URL": self.config.registry.url,
            "LITTORAL_STORE__URL": self.config.store.url,
        }


def place(folder, registry=None, store=None):
    return Place(
        Config(
            registry=RegistryConfig(registry or f"sqlite:///{folder}/deep/registry.db"),
            store=StoreConfig(store or f"sqlite:///{folder}/deep/er/readings.db"),
        )
    )


def fill(one):
    """Invented tanks, log, access, events; readings, some of them flagged."""
    registry = open_registry(one.config.registry.url)
    registry.put_tank(Tank("reed", "Reed"))
    registry.put_tank(Tank("sedge", "Sedge ü 水草"))
    registry.add_log("reed", LogKind.KH_TEST, NOW, {"kh_meq_l": 1.43}, note="a note")
    registry.put_absences([Absence("away", NOW, NOW + timedelta(days=9), "Reader", ["reed"])])
    said = ("payload", "not-a-number", "why", "", "reed")
    registry.add_rejections([Rejection(NOW, f"topic/{n}", *said) for n in range(3)])
    _, one.secret = registry.create_token("phone", Scope.WRITE, NOW)
    registry.signing_key("session")
    registry.put_status("ingest:a", {"spool": {"readings": 7}})
    registry.close()
    store = open_store(one.config.store.url)
    store.write(
        [
            Reading(
                KEY.tank,
                KEY.quantity,
                KEY.sensor,
                to_us(NOW) + n * 10_000_000,
                6.5 + n / 1000,
                Flag.SPIKE if n % 100 == 0 else Flag.NONE,
                n / 7 if n % 3 == 0 else None,
            )
            for n in range(COUNT)
        ]
    )
    store.close()
    return one


def contents(one):
    """Everything that a registry and a store answer."""
    registry = open_registry(one.config.registry.url)
    store = open_store(one.config.store.url)
    try:
        samples = store.read(KEY, 0, 2**62, flagged=True, raw=True)
        return {
            "tanks": registry.tanks(),
            "log": registry.log("reed"),
            "absences": registry.absences(),
            "rejections": registry.rejections(),
            "tokens": registry.tokens(),
            "series": sorted(info.key for info in store.series()),
            "readings": list(
                zip(
                    samples.time_us.tolist(),
                    samples.value.tolist(),
                    samples.flags.tolist(),
                    [None if raw != raw else raw for raw in samples.raw.tolist()],
                    strict=True,
                )
            ),
            "days": store.aggregate(KEY, 0, 2**53, 86_400_000_000).count.tolist(),
        }
    finally:
        registry.close()
        store.close()


@pytest.fixture(scope="session")
def filled(tmp_path_factory):
    """A folder with a place that was filled, and its secret; tests get copies of it."""
    folder = tmp_path_factory.mktemp("filled") / "old"
    return folder, fill(place(folder)).secret


@pytest.fixture
def full(tmp_path, filled):
    folder, secret = filled
    shutil.copytree(folder, tmp_path / "old")
    one = place(tmp_path / "old")
    one.secret = secret
    return one


@pytest.fixture
def new(tmp_path):
    return place(tmp_path / "new")


def members(archive):
    with tarfile.open(archive) as tar:
        return {one.name: tar.extractfile(one).read() for one in tar.getmembers()}


def write_members(archive, found):
    """An archive with members as given, manifest as it is."""
    import io

    with tarfile.open(archive, "w") as tar:
        for name, data in found.items():
            info = tarfile.TarInfo(name)
            info.size = len(data)
            tar.addfile(info, io.BytesIO(data))


def manifest_of(archive):
    return json.loads(members(archive)["manifest.json"])


def everything_in(folder):
    return {
        str(path.relative_to(folder)): stat.S_IMODE(path.lstat().st_mode)
        for path in Path(folder).rglob("*")
    }
