"""How a simulated sensor board speaks: topic, payload, unit, and whether it stamps its readings."""

from __future__ import annotations

import json
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import Any

from service.store.model import Reading
from service.times import format_moment, from_us
from service.units import to_canonical

SENML_UNITS = {"temperature": "Cel", "ph": "pH", "illuminance": "lx"}
"""Units of the SenML registry (RFC 8428); it has none for photon flux density."""


class Form(StrEnum):
    """Payload formats that home-made boards use."""

    NUMBER = "number"
    OBJECT = "object"
    SENML = "senml"
    NESTED = "nested"


@dataclass(frozen=True, slots=True)
class Wire:
    """What one sensor publishes.

    Attributes:
        topic: MQTT topic.
        form: ``number``: a plain number without a time; ``object``: JSON with ``value``, ``time``
            and ``sensor``; ``senml``: a pack of one record (RFC 8428); ``nested``: JSON of a
            foreign kind, ``reading.value``, ``reading.at``.
        unit: of the number sent; None: the canonical unit.
        digits: decimals sent.
    """

    topic: str
    form: Form = Form.NUMBER
    unit: str | None = None
    digits: int = 3

    @property
    def stamped(self) -> bool:
        """Whether the payload says when it was measured."""
        return self.form is not Form.NUMBER

    def number(self, reading: Reading) -> float:
        """The number as sent."""
        slope, zero = _line(reading.quantity, self.unit)
        return round((reading.value - zero) / slope, self.digits)

    def payload(self, reading: Reading) -> bytes:
        """The message's payload."""
        number = self.number(reading)
        if self.form is Form.NUMBER:
            return f"{number:.{self.digits}f}".encode()
        at = format_moment(from_us(reading.time_us))
        document: Any
        if self.form is Form.OBJECT:
            document = {"value": number, "time": at, "sensor": reading.sensor}
        elif self.form is Form.SENML:
            name = {"bn": f"{reading.sensor}:", "n": reading.quantity}
            document = [
                {
                    **name,
                    "u": SENML_UNITS[reading.quantity],
                    "t": reading.time_us / 1e6,
                    "v": number,
                }
            ]
        else:
            document = {"board": 7, "reading": {"value": number, "at": at}}
        return json.dumps(document).encode()

    def arrived(self, reading: Reading) -> Reading:
        """The reading as it ought to be stored: rounded as sent, in the canonical unit."""
        slope, zero = _line(reading.quantity, self.unit)
        value = zero + slope * self.number(reading)
        return Reading(reading.tank, reading.quantity, reading.sensor, reading.time_us, value)


@lru_cache(maxsize=64)
def _line(quantity: str, unit: str | None) -> tuple[float, float]:
    """Slope and zero of the straight line from a unit to the quantity's canonical one."""
    zero = to_canonical(quantity, 0.0, unit)
    return to_canonical(quantity, 1.0, unit) - zero, zero
