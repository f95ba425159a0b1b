"""Readings and rejections as bytes in the spool."""

from __future__ import annotations

from ingest.deliver.encoding import (
    decode_readings,
    decode_rejections,
    encode_readings,
    encode_rejections,
)
from service.registry.models.ingest import Rejection
from service.store import Flag, Reading
from service.times import from_us


def test_readings_and_rejections_come_back_exactly():
    readings = [
        Reading("reed", "ph", "main", 1_700_000_000_000_001, 0.1 + 0.2, Flag.SPIKE | Flag.LATE),
        Reading("reed", "ph", "µ", 2, 1e-300, raw=-17.8),
    ]
    assert decode_readings(encode_readings(readings)) == readings
    rejections = [Rejection(from_us(1), "a/b", "\x00ü", "empty", "why", "route", "reed")]
    assert decode_rejections(encode_rejections(rejections)) == rejections
