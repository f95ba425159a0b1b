"""A JSON payload: our own object, or any document with a path to the value."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from ingest.decode.message import PayloadError, Reason
from ingest.decode.payloads.number import finite, number_record, text_of
from ingest.decode.payloads.record import NO_PATHS, Paths, Record


def load(payload: bytes) -> Any:
    """The JSON document of a payload.

    Raises:
        PayloadError: not UTF-8, empty, or no JSON; NaN and Infinity are no JSON.
    """
    text = text_of(payload)
    try:
        return json.loads(text, parse_constant=_refuse_constant)
    except RecursionError as error:
        raise PayloadError(Reason.BAD_JSON, "payload is nested too deeply") from error
    except ValueError as error:
        raise PayloadError(Reason.BAD_JSON, f"payload is not JSON: {error}") from error


def _refuse_constant(word: str) -> None:
    raise PayloadError(Reason.NOT_FINITE, f"value is {word}; allowed: a finite number")


def json_record(document: Any, paths: Paths = NO_PATHS) -> Record:
    """Read one value from a JSON document.

    Args:
        document: as ``load`` returned it.
        paths: of the value; None: the document itself, which is a number or an object with
            ``value`` and, if need be, ``unit``, ``time``, ``sensor``, ``sequence``. Other keys
            are ignored. Of the device's time and the sequence number, where they are elsewhere.

    Raises:
        PayloadError: nothing is there, or it is no finite number.
    """
    path = paths.value
    found = document if path is None else value_at(document, path, "path")
    time = None if paths.time is None else value_at(document, paths.time, "time_path")
    sequence = (
        None if paths.sequence is None else value_at(document, paths.sequence, "sequence_path")
    )
    if not isinstance(found, dict):
        numbered = is_sequence(sequence, paths.sequence)
        return scalar(found, path or "payload")._replace(time=time, numbered=numbered)
    if "value" not in found:
        raise no_value(found, path or "payload")
    record = scalar(found["value"], "value")
    unit, sensor = (optional_text(found, key) for key in ("unit", "sensor"))
    if record.unit is not None and unit is not None and record.unit != unit:
        raise PayloadError(
            Reason.UNKNOWN_UNIT, f"unit is {unit!r} but value has {record.unit!r}; allowed: one"
        )
    sequence = found.get("sequence") if paths.sequence is None else sequence
    return record._replace(
        unit=unit or record.unit,
        time=found.get("time") if paths.time is None else time,
        sensor=sensor,
        numbered=is_sequence(sequence, paths.sequence),
    )


def no_value(found: Mapping[str, Any], name: str = "payload") -> PayloadError:
    """The fault of an object without a value."""
    keys = ", ".join(f"{key:.40}" for key in sorted(map(str, found))[:8]) or "none"
    return PayloadError(Reason.NO_VALUE, f"{name} has the keys {keys}; allowed: one named value")


def is_sequence(found: Any, path: str | None) -> bool:
    """Whether there is a sequence number, of which only that it differs is used."""
    if found is None or (isinstance(found, int | str) and not isinstance(found, bool)):
        return found is not None
    raise PayloadError(
        Reason.BAD_JSON, f"{path or 'sequence'} is {found!r:.40}; allowed: a whole number or a text"
    )


def scalar(found: Any, name: str) -> Record:
    """The record of a number, or of a text with a number and perhaps its unit.

    Raises:
        PayloadError: it is neither.
    """
    if isinstance(found, str):
        return number_record(found)
    if isinstance(found, bool) or not isinstance(found, int | float):
        shown = "null" if found is None else repr(found)[:40]
        raise PayloadError(Reason.NOT_A_NUMBER, f"{name} is {shown}; allowed: a number")
    try:
        return Record(finite(float(found), name))
    except OverflowError as error:
        raise PayloadError(
            Reason.NOT_FINITE, f"{name} is too large; allowed: a finite number"
        ) from error


def optional_text(found: dict[str, Any], key: str) -> str | None:
    """The text of a key; None where it is not there.

    Raises:
        PayloadError: it is no text.
    """
    text = found.get(key)
    if text is None or (isinstance(text, str) and text.strip()):
        return text
    reason = Reason.UNKNOWN_UNIT if key == "unit" else Reason.BAD_JSON
    raise PayloadError(reason, f"{key} is {text!r:.40}; allowed: a text")


def value_at(document: Any, path: str, name: str) -> Any:
    """What a dotted path leads to.

    Raises:
        PayloadError: it leads nowhere.
    """
    found = document
    for step in path.split("."):
        if isinstance(found, dict) and step in found:
            found = found[step]
        elif isinstance(found, list) and step.isdecimal() and int(step) < len(found):
            found = found[int(step)]
        else:
            raise PayloadError(
                Reason.NO_VALUE, f"{name} {path!r} leads nowhere at {step!r}; allowed: a path in it"
            )
    return found
