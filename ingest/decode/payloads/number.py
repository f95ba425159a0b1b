"""A plain number, with a unit behind it if need be: ``24.1``, ``72.4 °F``."""

from __future__ import annotations

import math

from ingest.decode.message import PayloadError, Reason
from ingest.decode.payloads.record import Record
from service.units import split_number_and_unit


def text_of(payload: bytes) -> str:
    """The payload as text.

    Raises:
        PayloadError: it is not UTF-8, or empty.
    """
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError as error:
        raise PayloadError(
            Reason.NOT_TEXT, f"payload is not UTF-8 at byte {error.start}; allowed: text"
        ) from error
    if not text:
        raise PayloadError(Reason.EMPTY, "payload is empty; allowed: a number")
    return text


def number_record(text: str) -> Record:
    """Read a number with an optional unit.

    Raises:
        PayloadError: it is no number, or not finite.
    """
    try:
        value, unit = split_number_and_unit(text)
    except ValueError as error:
        word = text.strip().lstrip("+-").lower()
        not_finite = word in ("nan", "inf", "infinity") or "finite" in str(error)
        reason = Reason.NOT_FINITE if not_finite else Reason.NOT_A_NUMBER
        raise PayloadError(reason, str(error)) from error
    return Record(value, unit)


def finite(value: float, name: str = "value") -> float:
    """The value, if it is finite.

    Raises:
        PayloadError: it is NaN or infinite.
    """
    if not math.isfinite(value):
        raise PayloadError(Reason.NOT_FINITE, f"{name} is {value!r}; allowed: a finite number")
    return value
