"""Line protocol: ``measurement,tag=… field=… timestamp``, one point a line.

The measurement or a field names the quantity: ``temperature,tank=reed value=24.1`` or
``water,tank=reed,sensor=a temperature=24.1,ph=6.6``. The tags ``tank`` and ``sensor`` name them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from ingest.decode.message import PayloadError, Reason
from ingest.decode.payloads.number import finite, text_of
from ingest.decode.payloads.record import Parsed, Record

_LINES_LIMIT: Final = 10_000
_ESCAPED: Final = re.compile(r"\\([,= \\])")
_INTEGER: Final = re.compile(r"[-+]?\d{1,19}[iu]")
_TIME: Final = re.compile(r"-?\d{1,19}")
#: A measurement, then a field: no number begins so.
_BEGINS: Final = re.compile(rb"\s*+[A-Za-z_]\S{0,2000}+ [^\s=]{1,200}+=")


def looks_like_lines(payload: bytes) -> bool:
    """Whether a payload begins like a point of the line protocol."""
    return _BEGINS.match(payload) is not None


def read_lines(payload: bytes) -> Parsed:
    """Read all points of a payload; a line that cannot be read spoils no other.

    Raises:
        PayloadError: no text, or too many lines.
    """
    lines = text_of(payload).splitlines()
    if len(lines) > _LINES_LIMIT:
        raise PayloadError(
            Reason.TOO_LARGE, f"payload has {len(lines)} lines; allowed: {_LINES_LIMIT}"
        )
    records: list[Record] = []
    faults: list[PayloadError] = []
    for line in lines:
        if line.strip() and not line.lstrip().startswith("#"):
            try:
                _read_line(line.strip(), records, faults)
            except PayloadError as error:
                faults.append(error)
    return Parsed(tuple(records), tuple(faults))


def _read_line(line: str, records: list[Record], faults: list[PayloadError]) -> None:
    parts = list(_split(line, " "))
    if len(parts) not in (2, 3) or not all(parts):
        raise _bad(line, "measurement[,tag=value…] field=value[,…] [timestamp]")
    if len(parts) == 3 and not _TIME.fullmatch(parts[2]):
        raise _bad(parts[2], "a whole number as timestamp")
    measurement, *tag_texts = _split(parts[0], ",")
    tags = dict(_pair(text) for text in tag_texts)
    time = int(parts[2]) if len(parts) == 3 else None
    for text in _split(parts[1], ","):
        key, value = _pair(text)
        try:
            number = _number(key, value)
        except PayloadError as error:
            faults.append(error)
            continue
        records.append(
            Record(
                number,
                tags.get("unit"),
                time,
                tank=tags.get("tank"),
                quantity=_ESCAPED.sub(r"\1", measurement) if key == "value" else key,
                sensor=tags.get("sensor"),
            )
        )


def _split(text: str, at: str) -> Iterator[str]:
    """Split at a character that is neither escaped nor inside quotes."""
    part, quoted, escaped = "", False, False
    for character in text:
        if character == at and not quoted and not escaped:
            yield part
            part = ""
            continue
        quoted ^= character == '"' and not escaped
        escaped = character == "\\" and not escaped
        part += character
    yield part


def _pair(text: str) -> tuple[str, str]:
    key, *value = _split(text, "=")
    if len(value) != 1 or not key or not value[0]:
        raise _bad(text, "key=value")
    return _ESCAPED.sub(r"\1", key), _ESCAPED.sub(r"\1", value[0])


def _number(key: str, text: str) -> float:
    try:
        value = float(text[:-1]) if _INTEGER.fullmatch(text) else float(text.replace("_", "x"))
    except ValueError as error:
        raise PayloadError(
            Reason.NOT_A_NUMBER, f"field {key:.40} is {text!r:.40}; allowed: a number"
        ) from error
    return finite(value, f"field {key:.40}")


def _bad(text: str, allowed: str) -> PayloadError:
    return PayloadError(Reason.BAD_LINE, f"line has {text!r:.80}; allowed: {allowed}")
