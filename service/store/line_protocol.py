"""Readings as InfluxDB line protocol, and names as tags that come back unchanged."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final

from influxdb_client.client.write.point import Point

from service.store.model import NOT_USABLE, Reading, SeriesKey

#: The measurement of all readings; its tags are tank, quantity and sensor.
MEASUREMENT: Final = "reading"
#: Lines sent in one request.
LINES_PER_REQUEST: Final = 5_000
#: Set in the field ``flags`` when the field ``raw`` belongs to the reading; above all of ``Flag``.
HAS_RAW: Final = 1 << 20
_UNUSABLE: Final = int(NOT_USABLE)


def tag_of_name(name: str) -> str:
    """A name as tag value: line protocol cannot end one in a backslash, so that is encoded."""
    return name.replace("%", "%25").replace("\\", "%5C")


def name_of_tag(tag: str) -> str:
    """The name that ``tag_of_name`` encoded."""
    return tag.replace("%5C", "\\").replace("%25", "%")


def key_of_tags(tags: dict[str, str]) -> SeriesKey:
    """The series that a server's tags name."""
    return SeriesKey(*(name_of_tag(tags.get(name, "")) for name in ("tank", "quantity", "sensor")))


@lru_cache(maxsize=4096)
def line_head(key: SeriesKey, revision: int = 0) -> str:
    """Measurement and tags of a series' lines, escaped, up to the blank before the fields."""
    point: Any = Point(MEASUREMENT)  # type: ignore[no-untyped-call]
    point.field("x", True)
    for name in ("tank", "quantity", "sensor"):
        point.tag(name, tag_of_name(getattr(key, name)))
    if revision:
        point.tag("revision", str(revision))
    return str(point.to_line_protocol()).removesuffix("x=true")


def line_of(reading: Reading) -> str:
    """A reading as InfluxDB keeps it; the time in nanoseconds.

    Usable and doubtful readings have fields of their own, so that the server can aggregate the
    usable ones without looking at flags. ``flags`` is always there and says which fields count:
    a field that is left over from a reading that this one replaces does not.
    """
    flags = int(reading.flags)
    field = "doubtful" if flags & _UNUSABLE else "value"
    raw = ""
    if reading.raw is not None:
        flags |= HAS_RAW
        raw = f",raw={reading.raw!r}"
    head = line_head(reading.key)
    return f"{head}{field}={reading.value!r},flags={flags}i{raw} {reading.time_us}000"
