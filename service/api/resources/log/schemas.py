"""The JSON of log entries: one envelope, ``data`` by kind in human units."""

from __future__ import annotations

from typing import Any, Final

import marshmallow as ma

from service.registry.calibration import MOST_POINTS
from service.registry.checks import COLDEST_C, MOST_GH_MEQ_L, MOST_L, MOST_MEQ_L, WARMEST_C
from service.registry.faults import NAME_LENGTH, NOTE_LENGTH
from service.registry.models import LogKind
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Name, Number, Text, Whole
from service.schemas.quantities import Measure, Share, alkalinity, hardness
from service.schemas.times import Moment
from service.units import QUANTITIES


class WaterChangeDataSchema(Schema):
    """How much water was changed, by share or by volume, and what the new water was like."""

    fraction = Share("Share of the net volume; this or `volume`.", above=0)
    volume = Measure(
        "L", "Water changed; needs a known net volume.", above=0, high=MOST_L, attribute="volume_l"
    )
    temperature = Measure(
        "Cel", "Of the new water.", low=COLDEST_C, high=WARMEST_C, attribute="temperature_c"
    )
    kh = alkalinity("Of the new water.", high=MOST_MEQ_L, attribute="kh_meq_l")


class DoseDataSchema(Schema):
    """What was dosed: a volume of solution or a mass of salt."""

    name = Text("As in the tank's plan.", shortest=1, longest=NAME_LENGTH, required=True)
    volume = Measure("mL", "Stock solution; this or `mass`.", above=0, high=1e5, attribute="ml")
    mass = Measure("g", "Dry salt; this or `volume`.", above=0, high=1e5, attribute="g")


class KhTestDataSchema(Schema):
    """A test of carbonate hardness."""

    kh = alkalinity("", high=MOST_MEQ_L, required=True, attribute="kh_meq_l")


class GhTestDataSchema(Schema):
    """A test of general hardness."""

    gh = hardness("", high=MOST_GH_MEQ_L, required=True, attribute="gh_meq_l")


class TouchedDataSchema(Schema):
    """How much of the plants or of the soil was touched."""

    fraction = Share("Of the plants or of the soil.", above=0)
    part = Text("Which plants or which corner.", shortest=1, longest=NAME_LENGTH)
    height = Measure("cm", "Height that was left.", low=0, high=1000, attribute="height_cm")


class FilterCleanDataSchema(Schema):
    """Which filter was cleaned."""

    part = Text("Which filter, or which part of it.", shortest=1, longest=NAME_LENGTH)


class StockingDataSchema(Schema):
    """Animals that came in or left."""

    species = Text("Scientific name.", shortest=1, longest=NAME_LENGTH, required=True)
    count = Whole(
        "How many came in; below 0: how many left.", low=-100_000, high=100_000, required=True
    )


class CalibrationPointSchema(Schema):
    """A pH buffer and the electrode's millivolts in it, or a reading beside a reference."""

    buffer = Text("Name of a buffer of the set, as in `7.00`; this or `ph`.", longest=NAME_LENGTH)
    ph = Number("Of any other buffer.")
    millivolts = Number("What the sensor sent in the buffer.")
    temperature_c = Number("Of the buffer; default 25.")
    reading = Number("What the sensor said.")
    reference = Number("What was true.")


class CalibrationDataSchema(Schema):
    """Which sensor was calibrated, and how its numbers are to be read from then on.

    One of `points`, `offset` and `factor`; none of them where the device was set itself.
    """

    class Meta:
        unknown = ma.INCLUDE  # which keys there are, the check of the entry tells in one wording

    quantity = Choice("What the sensor measures; default `ph`.", words=list(QUANTITIES))
    sensor = Text("Default `main`.", shortest=1, longest=NAME_LENGTH)
    points = Items(CalibrationPointSchema, longest=MOST_POINTS)
    offset = Number("Added to what the sensor says.")
    factor = Number("What the sensor says is multiplied by it.")
    unit = Choice("What the sensor sends, where that is not the quantity.", words=["mV", "lx"])
    buffers = Text("Set of buffers; default `technical`.", longest=NAME_LENGTH)
    zero_mv = Number("Of an amplifier: electrode mV = (sent - zero) / gain.")
    gain = Number("Of an amplifier.")
    slope_percent = Number("Of a pH electrode, as its own meter told it.")


class ObservationDataSchema(Schema):
    """Whatever was counted, free."""

    class Meta:
        unknown = ma.INCLUDE


DATA: Final[dict[LogKind, type[Schema]]] = {
    LogKind.WATER_CHANGE: WaterChangeDataSchema,
    LogKind.DOSE: DoseDataSchema,
    LogKind.KH_TEST: KhTestDataSchema,
    LogKind.GH_TEST: GhTestDataSchema,
    LogKind.TRIM: TouchedDataSchema,
    LogKind.REPLANT: TouchedDataSchema,
    LogKind.FILTER_CLEAN: FilterCleanDataSchema,
    LogKind.STOCKING: StockingDataSchema,
    LogKind.CALIBRATION: CalibrationDataSchema,
    LogKind.OBSERVATION: ObservationDataSchema,
}
_NEEDS_DATA: Final = frozenset(
    kind for kind, schema in DATA.items() if any(f.required for f in schema().fields.values())
) | {LogKind.WATER_CHANGE}


class EntrySchema(Schema):
    """What every log entry has."""

    id = Name("Given by the service, or by who may have to send the entry twice.")
    tank = Name(dump_only=True)
    time = Moment("When it was done; default: now.")
    note = Text(longest=NOTE_LENGTH, lines=True)
    by = Text("Who did it.", longest=NAME_LENGTH)
    recorded = Moment("When it was written down.", dump_only=True)


def _entry_schema(kind: LogKind, data: type[Schema]) -> type[Schema]:
    name = "".join(word.capitalize() for word in kind.value.split("-")) + "EntrySchema"
    members = {
        "__doc__": f"A log entry: {kind.value}.",
        "kind": Choice(words=[kind.value], required=True),
        "data": Nested(data, required=kind in _NEEDS_DATA),
    }
    return type(name, (EntrySchema,), members)


ENTRIES: Final[dict[LogKind, type[Schema]]] = {
    kind: _entry_schema(kind, data) for kind, data in DATA.items()
}


def component_name(schema: type[Schema]) -> str:
    """Name of a schema among the components of the document."""
    return schema.__name__.removesuffix("Schema")


def register(spec: Any) -> None:
    """Add the entries of all kinds, and ``LogEntry`` as one of them, to a document."""
    references = {}
    for kind, schema in ENTRIES.items():
        name = component_name(schema)
        spec.components.schema(name, schema=schema)
        references[kind.value] = f"#/components/schemas/{name}"
    spec.components.schema(
        "LogEntry",
        {
            "description": "What a person did or saw; `data` belongs to the kind.",
            "oneOf": [{"$ref": reference} for reference in references.values()],
            "discriminator": {"propertyName": "kind", "mapping": references},
        },
    )


ENTRY_REFERENCE: Final = {"$ref": "#/components/schemas/LogEntry"}
LOG: Final[dict[str, Any]] = {
    "type": "object",
    "properties": {
        "tank": {"type": "string"},
        "entries": {"type": "array", "items": ENTRY_REFERENCE},
        "next": {"type": ["string", "null"]},
    },
    "required": ["tank", "entries", "next"],
    "additionalProperties": False,
}
