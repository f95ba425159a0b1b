"""Which series a record of a payload belongs to, by topic, route and its own words."""

from __future__ import annotations

from typing import NamedTuple

from ingest.decode.message import PayloadError, Reason
from ingest.decode.payloads.record import Record, split_end, split_name
from ingest.decode.quantity_words import meant_by
from ingest.decode.routes import Target, sensor_name
from service.quantities import QUANTITIES
from service.store import DEFAULT_SENSOR


class RecordSeries(NamedTuple):
    """Quantity and sensor of a record, and the unit that its word names."""

    quantity: str | None
    sensor: str
    unit: str | None = None


def series_of(record: Record, target: Target) -> RecordSeries:
    """The series of a record: as the topic or the route names it, else as the payload does.

    Raises:
        PayloadError: the payload names another quantity than the topic or the route.
    """
    quantity, sensor, unit = record.quantity, record.sensor, None
    if record.name is not None:
        words = {name: name for name in QUANTITIES} | dict(target.route.names)
        if target.quantity is not None:
            words = {word: word for word in words if words[word] == target.quantity}
        quantity, sensor = split_name(record.name, words)
        if quantity is None and target.quantity is None:
            before, last = split_end(record.name)
            if meant_by(last) is not None:
                quantity, sensor = last, before
    if quantity is not None:
        quantity = target.route.names.get(quantity, quantity)
    if quantity is not None and quantity not in QUANTITIES:
        meant = meant_by(quantity)
        if meant is not None:
            quantity, unit, sensor = meant.quantity, meant.unit, sensor or meant.place or None
    known = quantity in QUANTITIES
    if target.quantity is not None and (known or not record.optional):
        if known and quantity != target.quantity:
            raise PayloadError(
                Reason.UNKNOWN_QUANTITY,
                f"quantity is {record.name or record.quantity!r:.60}; allowed: "
                f"{target.quantity}, which the topic or the route names",
            )
        quantity = target.quantity
    if target.sensor is not None:
        sensor = target.sensor
    elif sensor is not None:
        sensor = sensor_name(sensor)
    return RecordSeries(quantity, sensor or DEFAULT_SENSOR, unit)
