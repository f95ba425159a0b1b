"""Readings and rejections as bytes for the spool."""

from __future__ import annotations

import json
from collections.abc import Sequence

from service.registry.models.ingest import Rejection
from service.store import Flag, Reading
from service.times import from_us, to_us


def encode_readings(readings: Sequence[Reading]) -> bytes:
    """Compact JSON; floats come back exactly."""
    rows = [
        (r.tank, r.quantity, r.sensor, r.time_us, r.value, int(r.flags), r.raw) for r in readings
    ]
    return json.dumps(rows, separators=(",", ":")).encode()


def decode_readings(body: bytes) -> list[Reading]:
    """The inverse of ``encode_readings``."""
    return [
        Reading(tank, quantity, sensor, time_us, value, Flag(flags), raw)
        for tank, quantity, sensor, time_us, value, flags, raw in json.loads(body)
    ]


def encode_rejections(rejections: Sequence[Rejection]) -> bytes:
    """Compact JSON."""
    rows = [
        (to_us(r.time), r.topic, r.payload_excerpt, r.reason_code, r.detail, r.source, r.tank)
        for r in rejections
    ]
    return json.dumps(rows, separators=(",", ":")).encode()


def decode_rejections(body: bytes) -> list[Rejection]:
    """The inverse of ``encode_rejections``."""
    return [Rejection(from_us(time_us), *texts) for time_us, *texts in json.loads(body)]
