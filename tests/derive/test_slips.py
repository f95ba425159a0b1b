"""One impossible reading of a sound sensor is a slip; several are a fault of the sensor."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from service.derive.loader import load
from service.derive.sensors.slips import MOST_READ, slips
from service.store.model import Flag, Reading, SeriesKey
from service.store.sqlite.store import SqliteStore
from service.times import to_us
from tests.derive.pieces import NOON, a_tank
from tests.registries import sqlite_registry

MINUTE_US = 60_000_000
BAD, GOOD = Flag.IMPLAUSIBLE, Flag.NONE


def wrote(store: SqliteStore, sensor: str, every_min: float, flags: Sequence[Flag]) -> SeriesKey:
    """A thermometer whose last readings have these flags, the newest last, at noon."""
    store.write(
        [
            Reading(
                "reed", "temperature", sensor,
                to_us(NOON) - int(back * every_min * MINUTE_US),
                -127.0 if flag else 24.0, flag,
            )
            for back, flag in enumerate(reversed(flags))
        ]
    )  # fmt: skip
    return SeriesKey("reed", "temperature", sensor)


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    return SqliteStore.from_url(f"sqlite:///{tmp_path / 'readings.db'}")


@pytest.mark.parametrize(
    ("every_min", "flags", "is_slip"),
    [
        (5, [*[GOOD] * 8, BAD], True),
        (5, [*[GOOD] * 7, BAD, BAD], True),
        (5, [*[GOOD] * 6, BAD, BAD, BAD], False),
        (5, [*[GOOD] * 6, Flag.SPIKE, BAD, BAD], False),
        (5, [BAD], True),  # the first reading ever
        (1, [*[GOOD] * 57, BAD, BAD, BAD], True),  # in a row, but for two minutes
        (1, [GOOD, GOOD, BAD] * 20, False),  # a third of them, never two in a row
        (5, [GOOD, GOOD, GOOD, BAD] * 3, True),  # three in an hour
        (20, [GOOD, GOOD, GOOD, BAD], True),  # sends rarely: the last three count
        (20, [GOOD, GOOD, BAD, GOOD, BAD], True),
        (45, [GOOD, BAD, BAD, BAD], False),
        (5, [*[BAD] * 8, GOOD], False),  # nothing to judge: the newest is sound
    ],
)
def test_what_counts_as_a_slip(
    store: SqliteStore, every_min: float, flags: Sequence[Flag], is_slip: bool
) -> None:
    key = wrote(store, "s", every_min, flags)
    assert (key in slips(store, store.series("reed"), NOON)) is is_slip


def test_where_very_many_are_doubted_at_once_it_is_no_slip(store: SqliteStore) -> None:
    for number in range(MOST_READ + 1):
        wrote(store, f"s{number}", 5, [GOOD, GOOD, GOOD, BAD])
    assert slips(store, store.series("reed"), NOON) == frozenset()


def test_one_impossible_reading_does_not_change_the_sensor(
    store: SqliteStore, tmp_path: Path
) -> None:
    """Of two thermometers the first counts; a slip of it does not make the other's days count."""
    wrote(store, "b", 5, [GOOD] * 9)
    first = wrote(store, "a", 5, [*[GOOD] * 8, BAD])
    registry = sqlite_registry(tmp_path / "registry.db")
    registry.put_tank(a_tank())
    inputs = load(a_tank(), registry, store, NOON)
    assert inputs.slips == {first}
    chosen = inputs.chosen["temperature"]
    assert chosen.info is not None and chosen.info.key == first
    assert inputs.latest["temperature"].value == 24.0
    wrote(store, "a", 5, [*[GOOD] * 6, *[BAD] * 3])
    now_other = load(a_tank(), registry, store, NOON).chosen["temperature"].info
    assert now_other is not None and now_other.key.sensor == "b"

    registry.close()
