"""When the ingester writes its status: each write wears a memory card."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from ingest.status import what_matters
from service.advice.engine.history.refreshing import FIGURES_STORED_EVERY
from service.errors import RegistryUnavailableError
from service.process_identity import this_process
from service.registry.models.process_status import PROCESS, WRITTEN_EVERY_S, is_silent
from service.registry.repositories.process_status import STATUS_IN_FILE_EVERY_S
from service.registry.status_report import StatusReport

STATUS: dict[str, Any] = {
    "time": "2031-05-04T08:00:00Z", "connected": True, "stalled": False, "received": 1,
    "waiting": 3, "stored": 1, "last_write": "", "last_commit": "", "errors": [],
    "spool": {"readings": 0, "rejections": 0, "oldest": None},
}  # fmt: skip
EVERY_S = 60.0


class Registry:
    """Notes what is written."""

    def __init__(self) -> None:
        self.written: list[Any] = []
        self.noted: Any = None
        self.away = False

    def note_status(self, name: str, document: Any) -> None:
        assert name == "ingest:one"
        self.noted = document

    def put_status(self, name: str, document: Any) -> None:
        if self.away:
            raise RegistryUnavailableError("away")
        assert name == "ingest:one"
        assert document[PROCESS] == this_process()
        assert document[WRITTEN_EVERY_S] == EVERY_S
        own = (PROCESS, WRITTEN_EVERY_S)
        self.written.append({name: one for name, one in document.items() if name not in own})


@pytest.fixture
def registry() -> Registry:
    return Registry()


@pytest.fixture
def at() -> dict[str, float]:
    return {"s": 0.0}


@pytest.fixture
def report(registry: Registry, at: dict[str, float]) -> StatusReport:
    found = StatusReport(
        "ingest:one",
        registry,  # type: ignore[arg-type]
        what_matters,
        EVERY_S,
        lambda: at["s"],
    )
    found.put(STATUS)
    assert registry.written == [STATUS]
    return found


@pytest.mark.parametrize(
    "later",
    [
        {"connected": False},
        {"stalled": True},
        {"errors": ["the disk is full"]},
        {"waiting": 2000},
        {"last_write": "2031-05-04T08:00:02Z"},  # the first one of all
        {"spool": {"readings": 7, "rejections": 0, "oldest": "2031-05-04T08:00:00Z"}},
    ],
)
def test_what_matters_is_written_at_once(report, registry, later):
    report.put(STATUS | later)
    assert registry.written == [STATUS, STATUS | later]


def test_counts_alone_wait(report, registry, at):
    for second in range(2, 60, 2):
        at["s"] = second
        report.put(STATUS | {"time": str(second), "received": second, "waiting": second})
    assert registry.written == [STATUS]
    assert registry.noted["received"] == 58  # what is asked in the same process
    at["s"] = EVERY_S
    report.put(STATUS | {"received": 60})
    assert [one["received"] for one in registry.written] == [1, 60]


def test_statuses_of_all_processes_are_due_at_the_same_moments(registry, at, report):
    written = []
    for second in range(2, 200, 2):
        at["s"] = second
        before = len(registry.written)
        report.put(STATUS | {"received": second, "connected": second < 34})
        written += [second] * (len(registry.written) - before)
    assert written == [34, 60, 120, 180], "34 said something new; the others are due"


def test_a_clock_that_is_put_back_delays_no_status(registry, at, report):
    for second in (-3600, -3598):
        at["s"] = second
        report.put(STATUS | {"received": second})
    assert [one["received"] for one in registry.written] == [1, -3600]


@pytest.mark.parametrize(("every_s", "allowed_s"), [(None, 150), (60.0, 150), (600.0, 750)])
def test_a_process_is_silent_when_its_status_is_overdue(every_s, allowed_s):
    written = datetime(2031, 5, 4, 8, tzinfo=UTC)
    status = STATUS | ({} if every_s is None else {WRITTEN_EVERY_S: every_s})
    assert not is_silent(status, written + timedelta(seconds=allowed_s), 1.0)
    assert is_silent(status, written + timedelta(seconds=allowed_s + 1), 1.0)


def test_a_killed_ingester_is_seen_within_12_5_minutes_on_a_card():
    status = STATUS | {WRITTEN_EVERY_S: STATUS_IN_FILE_EVERY_S}
    assert is_silent(status, datetime(2031, 5, 4, 8, 12, 31, tzinfo=UTC), 1.0)


def test_statuses_are_due_when_the_figures_of_recommendations_are():
    assert FIGURES_STORED_EVERY.total_seconds() == STATUS_IN_FILE_EVERY_S


def test_the_last_one_is_written_in_any_case(report, registry):
    report.put(STATUS, last=True)
    assert len(registry.written) == 2


def test_what_could_not_be_written_is_written_next_time(report, registry, at, caplog):
    registry.away = True
    report.put(STATUS | {"connected": False})
    assert "the status cannot be written: away" in caplog.text
    registry.away = False
    report.put(STATUS | {"connected": False})
    assert registry.written[-1]["connected"] is False
