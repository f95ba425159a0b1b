"""The journal of first deliveries."""

from __future__ import annotations

import pytest

from ingest.decode.message import ClockState, FirstDelivery, Message
from ingest.deliver.journal import Journal
from ingest.deliver.spool import Spool
from ingest.deliver.spool_connection import SpoolFullError


def message(mid, payload=b"24", *, dup=False):
    return Message("littoral/reed/ph", payload, 1, mid, 1, dup)


def test_journal_knows_second_deliveries_also_after_a_restart(tmp_path):
    spool = Spool(tmp_path / "spool.db", 10)
    journal = Journal(spool, 100)
    journal.add(
        [
            (message(7), FirstDelivery(111, ClockState.RIGHT)),
            (message(8), FirstDelivery(222, ClockState.WRONG)),
        ]
    )
    journal.write()
    spool.close()
    spool = Spool(tmp_path / "spool.db", 10)
    journal = Journal(spool, 100)
    assert journal.first_delivery(message(7, dup=True)).arrival_us == 111
    assert journal.first_delivery(message(8, dup=True)) == (222, True)
    assert journal.first_delivery(message(7)) is None
    assert journal.first_delivery(message(7, b"25", dup=True)) is None
    assert journal.first_delivery(message(9, dup=True)) is None
    spool.close()


def test_journal_that_could_not_be_written_is_written_with_the_next(tmp_path, monkeypatch):
    spool = Spool(tmp_path / "spool.db", 10)
    journal = Journal(spool, 100)

    def full(*_):
        raise SpoolFullError("by this test")

    with monkeypatch.context() as patched:
        patched.setattr(spool, "write_entries", full)
        for mid in range(1, 301):
            journal.add([(message(mid), FirstDelivery(mid, ClockState.RIGHT))])
            with pytest.raises(SpoolFullError):
                journal.write()
    journal.add([(message(301), FirstDelivery(301, ClockState.RIGHT))])
    journal.write()
    spool.close()
    spool = Spool(tmp_path / "spool.db", 10)
    again = Journal(spool, 100)
    known = [mid for mid in range(1, 302) if again.first_delivery(message(mid, dup=True))]
    assert known == list(range(202, 302))
    spool.close()


def test_journal_is_bounded(tmp_path):
    spool = Spool(tmp_path / "spool.db", 10)
    journal = Journal(spool, 100)
    for mid in range(1, 1001):
        journal.add([(message(mid), FirstDelivery(mid, ClockState.RIGHT))])
        if mid % 10 == 0:
            journal.write()
    assert 10 <= len(spool.entries("journal")) <= 12
    spool.close()


def test_old_entries_are_deleted_now_and_then_and_those_in_flight_never(tmp_path):
    spool = Spool(tmp_path / "spool.db", 10)
    journal = Journal(spool, 100)
    for batch in range(400):
        mids = range(1 + 9 * batch, 10 + 9 * batch)
        journal.add([(message(mid), FirstDelivery(mid, ClockState.RIGHT)) for mid in mids])
        journal.write()
    spool.close()
    spool = Spool(tmp_path / "spool.db", 10)
    again = Journal(spool, 100)
    known = [mid for mid in range(1, 3601) if again.first_delivery(message(mid, dup=True))]
    assert known == list(range(known[0], 3601))
    assert 100 <= len(known) <= 100 + 20 + 9
    spool.close()


def test_a_minute_of_a_home_takes_little_more_than_one_page_of_the_system(tmp_path):
    """4,096 bytes; also once old entries are deleted. The log has 24 bytes before each page."""
    spool = Spool(tmp_path / "spool.db", 10)
    journal = Journal(spool, 1000)
    log = tmp_path / "spool.db-wal"
    pages = []
    for minute in range(300):
        before = log.stat().st_size
        mids = range(1 + 9 * minute, 10 + 9 * minute)
        journal.add([(message(mid), FirstDelivery(mid, ClockState.RIGHT)) for mid in mids])
        journal.write()
        pages.append((log.stat().st_size - 1) // 4096 - before // 4096 + 1)
    assert sum(pages[1:]) < 1.5 * 299
    spool.close()
