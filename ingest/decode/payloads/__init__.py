"""Payload formats: bytes -> records; each format in a module of its own, joined here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from ingest.decode.message import PAYLOAD_LIMIT_BYTES, PayloadError, Reason
from ingest.decode.payloads import document, json_value, line, number, senml
from ingest.decode.payloads.record import NO_PATHS, Parsed, Paths, Record

__all__ = ["FORMATS", "Parsed", "Paths", "Record", "parse"]


def _number(payload: bytes, paths: Paths) -> Parsed:
    return Parsed((number.number_record(number.text_of(payload)),))


def _json(payload: bytes, paths: Paths) -> Parsed:
    found = json_value.load(payload)
    if paths.value is None and isinstance(found, dict) and "value" not in found:
        return document.read_document(found, paths)
    return Parsed((json_value.json_record(found, paths),))


def _senml(payload: bytes, paths: Paths) -> Parsed:
    return senml.read_pack(json_value.load(payload))


def _line(payload: bytes, paths: Paths) -> Parsed:
    return line.read_lines(payload)


def _auto(payload: bytes, paths: Paths) -> Parsed:
    start = payload.lstrip()[:1]
    if start == b"{" or paths.value is not None:
        return _json(payload, paths)
    if start == b"[":
        return _senml(payload, paths)
    if line.looks_like_lines(payload):
        return _line(payload, paths)
    return _number(payload, paths)


#: Format's name in a route -> reader of (payload, paths).
FORMATS: Final[dict[str, Callable[[bytes, Paths], Parsed]]] = {
    "auto": _auto,
    "number": _number,
    "json": _json,
    "senml": _senml,
    "line": _line,
}


def parse(payload: bytes, format: str = "auto", paths: Paths = NO_PATHS) -> Parsed:
    """Take a payload apart.

    Args:
        payload: as the broker delivered it.
        format: one of ``FORMATS``.
        paths: into a JSON payload.

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
    return FORMATS[format](payload, paths)
