"""Samples: measured values in the canonical unit, before calibration and quality checks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from ingest.decode.message import FirstDelivery, Message
from service.registry.models.ingest import Rejection
from service.store import Flag


class Sample(NamedTuple):
    """One measured value before calibration and before any quality check.

    Attributes:
        value: in the canonical unit, or in the raw scale.
        scale: the raw scale (``mV``, ``lx``) that calibration has to turn into the quantity; None
            where the value is canonical.
        time_us: the device's time; None where it sent none, or none that can be read.
        doubt: ``CLOCK`` where the device's time could not be read.
    """

    tank: str
    quantity: str
    sensor: str
    value: float
    scale: str | None = None
    time_us: int | None = None
    doubt: Flag = Flag.NONE


class Decoded(NamedTuple):
    """Samples of one message, and one rejection for each part that is none.

    Attributes:
        numbered: the payload has a sequence number.
    """

    samples: Sequence[Sample]
    rejections: Sequence[Rejection]
    numbered: bool = False


class Arrival(NamedTuple):
    """What arrived together: one MQTT message or HTTP request, decoded.

    Attributes:
        message: as received; its arrival is that of the first delivery.
        samples, rejections: what it was decoded to.
        source: the route or the way it came, recorded with rejections.
        first_delivery: how it was processed when it came before; None: it did not.
    """

    message: Message
    samples: Sequence[Sample] = ()
    rejections: Sequence[Rejection] = ()
    source: str = ""
    first_delivery: FirstDelivery | None = None
