"""Fields of the log for probes: calibrated, out of the tank, back in it."""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

import marshmallow as ma

from service.quantities import QUANTITIES
from service.registry.fields.limits import MOST_POINTS, NAME_LENGTH
from service.registry.fields.log.entry import LogData
from service.schemas.base import Items, Schema
from service.schemas.fields import Choice, Number, Text

MOST_MINUTES: Final = 7 * 1440.0


class CalibrationPointSchema(Schema):
    """A pH buffer and the electrode's millivolts in it, or a reading beside a reference."""

    buffer = Text("Name of a buffer of the set, as in `7.00`; this or `ph`.", longest=NAME_LENGTH)
    ph = Number("Of any other buffer.")
    millivolts = Number("What the sensor sent in the buffer.")
    temperature_c = Number("Of the buffer; default 25.")
    reading = Number("What the sensor measured.")
    reference = Number("What was true.")


class CalibrationDataSchema(LogData):
    """Which sensor was calibrated, and how its numbers are to be read from then on.

    One of `points`, `offset` and `factor`; none of them where the device was set itself.
    """

    class Meta:
        unknown = ma.INCLUDE  # read_calibration names the keys there are, in one wording

    json_schema = MappingProxyType({"additionalProperties": False})

    label = "Calibration"
    asked = ("quantity", "sensor")

    quantity = Choice(
        "What the sensor measures; default `ph`.",
        label="What it measures",
        words=list(QUANTITIES),
        start="ph",
    )
    sensor = Text("Default `main`.", shortest=1, longest=NAME_LENGTH, start="main")
    points = Items(CalibrationPointSchema, "Buffers or pairs.", longest=MOST_POINTS)
    offset = Number("Added to what the sensor sends.")
    factor = Number("What the sensor sends is multiplied by it.")
    unit = Choice("What the sensor sends, where that is not the quantity.", words=["mV", "lx"])
    buffers = Text("Set of buffers; default `technical`.", longest=NAME_LENGTH)
    zero_mv = Number("Of an amplifier: electrode mV = (sent - zero) / gain.")
    gain = Number("Of an amplifier.")
    slope_percent = Number("Of a pH electrode, as its own meter showed it.")


class ProbeDataSchema(LogData):
    """Which probe it was; without a sensor every one of the quantity."""

    quantity = Choice(
        "What the probe measures; default `ph`.",
        label="What it measures",
        words=list(QUANTITIES),
        start="ph",
    )
    sensor = Text("Default: all that measure it.", shortest=1, longest=NAME_LENGTH)


class ProbeOutDataSchema(ProbeDataSchema):
    """A probe that was taken out of the tank: what it reads meanwhile is left out."""

    label = "Probe out of the tank"

    minutes = Number(
        "For how long, min; default: until it is logged as back, 2 h at most.",
        label="Minutes",
        above=0,
        high=MOST_MINUTES,
    )


class ProbeBackDataSchema(ProbeDataSchema):
    """A probe that is in the tank's water: what it reads from now on counts."""

    label = "Probe back in the tank"
