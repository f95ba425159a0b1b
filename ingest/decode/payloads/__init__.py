"""Payload formats: bytes -> records; each format in a module of its own, joined here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from ingest.decode.message import PAYLOAD_LIMIT_BYTES, PayloadError, Reason
from ingest.decode.payloads import json_value, line, number, senml
from ingest.decode.payloads.record import Parsed, Record

__all__ = ["FORMATS", "Parsed", "Record", "parse"]


def _number(payload: bytes, path: str | None, time_path: str | None) -> Parsed:
    return Parsed((number.number_record(number.text_of(payload)),))


def _json(payload: bytes, path: str | None, time_path: str | None) -> Parsed:
    return Parsed((json_value.json_record(json_value.load(payload), path, time_path),))


def _senml(payload: bytes, path: str | None, time_path: str | None) -> Parsed:
    return senml.read_pack(json_value.load(payload))


def _line(payload: bytes, path: str | None, time_path: str | None) -> Parsed:
    return line.read_lines(payload)


def _auto(payload: bytes, path: str | None, time_path: str | None) -> Parsed:
    start = payload.lstrip()[:1]
    if start == b"{" or path is not None:
        return _json(payload, path, time_path)
    if start == b"[":
        return _senml(payload, path, time_path)
    return _number(payload, path, time_path)


#: Format's name in a route -> reader of (payload, path, time_path).
FORMATS: Final[dict[str, Callable[[bytes, str | None, str | None], Parsed]]] = {
    "auto": _auto,
    "number": _number,
    "json": _json,
    "senml": _senml,
    "line": _line,
}


def parse(
    payload: bytes, format: str = "auto", path: str | None = None, time_path: str | None = None
) -> Parsed:
    """Take a payload apart.

    Args:
        payload: as the broker delivered it.
        format: one of ``FORMATS``.
        path, time_path: dotted paths of the value and of the time in a JSON payload.

    Returns:
        The records understood, and the faults of those records that were not.

    Raises:
        PayloadError: nothing of it can be understood.
    """
    if len(payload) > PAYLOAD_LIMIT_BYTES:
        raise PayloadError(
            Reason.TOO_LARGE,
            f"payload has {len(payload)} bytes; allowed: up to {PAYLOAD_LIMIT_BYTES}",
        )
    return FORMATS[format](payload, path, time_path)
