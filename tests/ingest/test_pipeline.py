"""Messages become readings in one place: what it makes of their times."""

from __future__ import annotations

import json

import pytest

from ingest.journal import Journal
from ingest.message import Message
from ingest.pipeline import Pipeline
from ingest.probes import Calibrations
from ingest.quality import Judge
from ingest.routes import Router
from ingest.spool import Spool
from ingest.stamps import StampLimits
from service.store import Flag

S = 1_000_000
START = 1_700_000_000 * S


@pytest.fixture
def taken(tmp_path):
    """``taken(arrival_s, time_s, value)``: the reading that a message becomes."""
    spool = Spool(tmp_path / "spool.db", 10)
    pipeline = Pipeline(
        Router("littoral", []),
        {"reed"},
        Calibrations(),
        Judge(StampLimits(3600 * S, 300 * S)),
        Journal(spool, 100),
    )

    def take(arrival_s, time_s, value):
        document = {"value": value} | ({} if time_s is None else {"time": START / S + time_s})
        payload = json.dumps(document).encode()
        message = Message("littoral/reed/ph", payload, START + arrival_s * S)
        (reading,) = pipeline.process([message]).readings
        return (reading.time_us - START) // S, reading.flags

    yield take
    spool.close()


def test_an_arrival_is_no_time_of_the_device(taken):
    """A device that finds its clock and then sends what it kept has no clock that jumped back."""
    assert taken(1000, None, 6.6) == (1000, Flag.NONE)
    assert taken(1010, 500, 6.6) == (500, Flag.NONE)
    assert taken(1020, 560, 6.6) == (560, Flag.NONE)
    assert taken(1030, 100, 6.6) == (1030, Flag.CLOCK)  # back by more than two minutes


def test_a_wrong_time_is_not_remembered(taken):
    assert taken(1000, 9000, 6.6) == (1000, Flag.CLOCK)
    assert taken(1010, 500, 6.6) == (500, Flag.NONE)
