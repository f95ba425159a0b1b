"""The status of several schedulers as one: what is oldest, slowest or wrong counts."""

from __future__ import annotations

from service.advice.sharing.status import combined_status

EAST = {
    "time": "2025-06-04T12:00:00Z",
    "evaluated": "2025-06-04T12:00:00Z",
    "every_s": 60.0,
    "seconds": 2.0,
    "tanks": 3,
    "failed": ["reed"],
    "error": None,
    "mended": {"hub": 1},
    "written_every_s": 300.0,
}
WEST = {
    **EAST,
    "time": "2025-06-04T11:58:00Z",
    "evaluated": "2025-06-04T11:50:00Z",
    "seconds": 5.0,
    "tanks": 4,
    "failed": [],
    "error": "the store is away",
    "mended": {"hub": 2, "homie": 1},
    "written_every_s": 0.0,
}


def test_one_or_none_is_as_it_is() -> None:
    assert combined_status({"ingest:shed": {}, "advice:scheduler": EAST}) == EAST
    assert combined_status({"ingest:shed": {}}) is None


def test_several_are_as_good_as_the_worst() -> None:
    assert combined_status({"advice:scheduler:1": EAST, "advice:scheduler:2": WEST}) == {
        "time": "2025-06-04T11:58:00Z",
        "evaluated": "2025-06-04T11:50:00Z",
        "every_s": 60.0,
        "seconds": 5.0,
        "tanks": 7,
        "failed": ["reed"],
        "error": "the store is away",
        "mended": {"hub": 3, "homie": 1},
        "written_every_s": 300.0,
    }
    never = {"advice:scheduler:1": EAST, "advice:scheduler:2": {**WEST, "evaluated": None}}
    combined = combined_status(never)
    assert combined is not None
    assert combined["evaluated"] is None
