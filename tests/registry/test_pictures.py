"""Pictures in the registry: a part of them begins after any one of them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from service.registry.models.log import LogKind
from service.registry.models.pictures import NewPicture, SentPictures, StoredFile
from service.registry.models.tank import Tank
from service.registry.registry import Registry

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)


def test_what_comes_after_one_is_the_rest_of_the_list(registry: Registry) -> None:
    registry.put_tank(Tank("a", "A"))
    registry.put_tank(Tank("b", "B"))
    file = StoredFile(10, "0" * 64)
    for number, hours in enumerate((0, 2, 2, 1)):
        recorded = None if number == 1 else NOW
        entry = registry.add_log(
            "a" if number else "b", LogKind.TRIM, NOW - timedelta(hours=hours), recorded=recorded
        )
        new = [NewPicture(f"p-{number}-{n}", 8, 8, file, file, f"{number}{n}") for n in range(2)]
        registry.add_pictures(entry.tank, entry.id, SentPictures((), tuple(new), 1_000_000))
    listed = registry.pictures("a")
    assert len(listed) == 6
    for at, one in enumerate(listed):
        assert registry.pictures("a", after=one.place) == listed[at + 1 :]
    early = NOW - timedelta(hours=1)
    assert registry.pictures("a", after=listed[0].place, end=early, limit=3) == listed[2:5]
    for at in (3, 4):
        registry.delete_picture("a", listed[at].id)
        assert registry.pictures("a", after=listed[at].place) == listed[at + 1 :]
