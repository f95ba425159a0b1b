"""Fields of the log that belong to each kind of entry."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final

import marshmallow as ma

from service.errors import LEFT_OUT, Refusal
from service.registry.fields.limits import (
    COLDEST_C,
    MOST_ANIMALS,
    MOST_CYLINDER_G,
    MOST_GH_MEQ_L,
    MOST_KH_MEQ_L,
    MOST_L,
    MOST_NUTRIENT_MG_L,
    MOST_POINTS,
    NAME_LENGTH,
    NOTE_LENGTH,
    WARMEST_C,
)
from service.registry.fields.log_entry import LogData, OneOf
from service.registry.models.log import Lever, LogKind
from service.registry.observations import HIGHEST, LOWEST, OBSERVATIONS
from service.schemas.base import Items, Schema
from service.schemas.fields import Choice, Number, Text, Whole, finite
from service.schemas.free_json import ITEMS
from service.schemas.quantities import Fraction, Measure, carbonate_hardness, general_hardness
from service.schemas.together import all_of, both_or_neither
from service.science.carbonate.inverse import BICARBONATE_SALT_G_MOL
from service.units import QUANTITIES

_MOST_DOSE: Final = 100_000.0
_MOST_HEIGHT_CM: Final = 1000.0
MOST_MINUTES: Final = 7 * 1440.0


class AnimalCount(Whole):
    """How many animals came in; negative for those lost or removed; never 0."""

    def __init__(self, doc: str = "", **kwargs: Any) -> None:
        super().__init__(doc, low=-MOST_ANIMALS, high=MOST_ANIMALS, **kwargs)
        self.allowed = "a whole number other than 0, with a minus for animals lost or removed"

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> int:
        if finite(value) == 0:
            raise self.refuse(value)
        return super()._deserialize(value, attr, data, **kwargs)


class WaterChangeDataSchema(LogData):
    """How much water was changed, by share or by volume, and what the new water was like."""

    label = "Water change"
    one_of = OneOf("How much was changed", ("fraction", "volume"))
    converted = frozenset({"volume"})

    fraction = Fraction("Of the net volume; this or `volume`.", label="Share changed", above=0)
    volume = Measure(
        "L",
        "Water changed; needs a known net volume.",
        label="Water changed",
        above=0,
        high=MOST_L,
        attribute="volume_l",
    )
    temperature = Measure(
        "Cel",
        "Of the new water.",
        label="Temperature of the new water",
        low=COLDEST_C,
        high=WARMEST_C,
        attribute="temperature_c",
    )
    kh = carbonate_hardness(
        "Of the new water.",
        label="KH of the new water",
        high=MOST_KH_MEQ_L,
        attribute="kh_meq_l",
    )


class DoseDataSchema(LogData):
    """What was dosed: a volume of solution or a mass of salt."""

    label = "Dose"
    one_of = OneOf("How much", ("volume", "mass"))

    name = Text(
        "As in the tank's plan.", label="What", shortest=1, longest=NAME_LENGTH, required=True
    )
    volume = Measure(
        "mL",
        "Stock solution; this or `mass`.",
        label="Stock solution",
        above=0,
        high=_MOST_DOSE,
        attribute="ml",
    )
    mass = Measure(
        "g",
        "Dry salt; this or `volume`.",
        label="Dry salt",
        above=0,
        high=_MOST_DOSE,
        attribute="g",
    )


def _tested(key: str, label: str) -> Measure:
    """Field of a nutrient that was tested."""
    return Measure("mg/L", f"{label}.", label=label, low=0, high=MOST_NUTRIENT_MG_L, attribute=key)


class KhTestDataSchema(LogData):
    """A test of carbonate hardness."""

    label = "KH test"

    kh = carbonate_hardness(
        "Carbonate hardness.",
        label="Carbonate hardness",
        high=MOST_KH_MEQ_L,
        required=True,
        attribute="kh_meq_l",
    )


class GhTestDataSchema(LogData):
    """A test of general hardness."""

    label = "GH test"

    gh = general_hardness(
        "General hardness.",
        label="General hardness",
        high=MOST_GH_MEQ_L,
        required=True,
        attribute="gh_meq_l",
    )


class NutrientTestDataSchema(LogData):
    """A test of nutrients in the tank's water: one or several."""

    label = "Nutrient test"
    any_of = ("no3", "po4", "k", "fe")

    no3 = _tested("no3_mg_l", "Nitrate")
    po4 = _tested("po4_mg_l", "Phosphate")
    k = _tested("k_mg_l", "Potassium")
    fe = _tested("fe_mg_l", "Iron")


def _plant(doc: str) -> Text:
    """Field of a species of the tank's plants."""
    return Text(
        f"Species, one of the tank's plants. {doc}",
        label="Which of the tank's plants",
        shortest=1,
        longest=NAME_LENGTH,
    )


class TouchedDataSchema(LogData):
    """How much of the plants or of the soil was touched."""

    fraction = Fraction(
        "Of the plants or of the soil.", label="Share of the plants or soil", above=0
    )
    part = Text(
        "Which plants or which corner.",
        label="Which plants or corner",
        shortest=1,
        longest=NAME_LENGTH,
    )
    plant = _plant("With `height`, its growth is followed from there.")
    height = Measure(
        "cm",
        "Height that was left.",
        label="Height left",
        low=0,
        high=_MOST_HEIGHT_CM,
        attribute="height_cm",
    )


class TrimDataSchema(TouchedDataSchema):
    """Plants that were cut back."""

    label = "Trim"


class ReplantDataSchema(TouchedDataSchema):
    """Plants that were put in, or soil that was stirred."""

    label = "Replant"


class FilterCleanDataSchema(LogData):
    """Which filter was cleaned."""

    label = "Filter clean"

    part = Text(
        "Which filter, or which part of it.",
        label="Which filter or part",
        shortest=1,
        longest=NAME_LENGTH,
    )


class StockingDataSchema(LogData):
    """Animals that came in, were lost or were removed."""

    label = "Stocking"

    species = Text(
        "Scientific name.",
        hint="scientific name",
        shortest=1,
        longest=NAME_LENGTH,
        required=True,
    )
    count = AnimalCount(
        "Minus for animals lost or removed.",
        label="How many",
        hint="minus for animals lost or removed",
        required=True,
    )


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


class AdjustmentDataSchema(LogData):
    """A valve, a timer or a plan that was adjusted.

    Written by the service itself when the plans of a tank are changed.
    """

    label = "Adjustment"

    lever = Choice(
        "What was adjusted.", label="What was adjusted", words=list(Lever), required=True
    )
    before = Text("What it was before.", label="Before", longest=NOTE_LENGTH)
    after = Text("What it is now.", label="Now", hint="such as 14 % more", longest=NOTE_LENGTH)


class SaltDataSchema(LogData):
    """Salt that was put into the water, as against parasites."""

    label = "Salt"

    mass = Measure(
        "g", "How much.", label="Salt", above=0, high=_MOST_DOSE, required=True, attribute="g"
    )
    name = Text("Which salt.", label="Which salt", shortest=1, longest=NAME_LENGTH)


class MedicationDataSchema(LogData):
    """Medication that was put into the water."""

    label = "Medication"

    name = Text("Its name.", label="Name", shortest=1, longest=NAME_LENGTH, required=True)
    volume = Measure("mL", "How much.", label="Volume", above=0, high=_MOST_DOSE, attribute="ml")
    mass = Measure("g", "How much.", label="Mass", above=0, high=_MOST_DOSE, attribute="g")


class BufferDataSchema(LogData):
    """A bicarbonate that was put into the water to raise KH."""

    label = "KH buffer"

    mass = Measure(
        "g", "How much.", label="Salt", above=0, high=_MOST_DOSE, required=True, attribute="g"
    )
    salt = Choice(
        "Which bicarbonate.",
        label="Which salt",
        words=list(BICARBONATE_SALT_G_MOL),
        required=True,
        start="KHCO3",
    )


class CylinderDataSchema(LogData):
    """A full CO2 cylinder that was put on."""

    label = "New CO2 cylinder"

    content = Measure(
        "g",
        "CO2 in it when full.",
        label="CO2 in it",
        above=0,
        high=MOST_CYLINDER_G,
        required=True,
        entry_units=("g", "kg"),
        attribute="g",
    )


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


_OBSERVED_TOGETHER: Final = all_of(
    both_or_neither("kind", "level"), both_or_neither("plant", "height")
)


class ObservationDataSchema(LogData):
    """What was seen: a kind with its step from 0 to 5, whatever else was counted, or a remark."""

    class Meta:
        unknown = ma.INCLUDE

    json_schema = MappingProxyType({"maxProperties": ITEMS, **_OBSERVED_TOGETHER})

    label = "Observation"

    kind = Choice(
        "What was seen; `GET /v1/observations` describes each.",
        label="What was seen",
        words=list(OBSERVATIONS),
    )
    level = Whole(
        "How much of it, from 0 to 5; each kind describes its steps.",
        label="How much, 0 to 5",
        low=LOWEST,
        high=HIGHEST,
    )
    plant = _plant("With `height`.")
    height = Measure(
        "cm",
        "How tall it is.",
        label="Height of the plant",
        low=0,
        high=_MOST_HEIGHT_CM,
        attribute="height_cm",
    )

    def contradictions(self, data: Mapping[str, Any]) -> dict[str, Any]:
        """A kind and its step belong together, and so do a plant and its height."""
        if "plant" in data and "height_cm" not in data:
            return {"height": [Refusal(LEFT_OUT, "its height, such as 23 cm")]}
        if "height_cm" in data and "plant" not in data:
            return {"plant": [Refusal(LEFT_OUT, "one of the tank's plants")]}
        if ("kind" in data) == ("level" in data):
            return {}
        if "kind" in data:
            return {"level": [Refusal(LEFT_OUT, f"the step from {LOWEST} to {HIGHEST}")]}
        return {"kind": [Refusal(LEFT_OUT, ", ".join(OBSERVATIONS))]}


TESTED_IONS: Final[Mapping[str, str]] = MappingProxyType(
    {"no3_mg_l": "NO3", "po4_mg_l": "PO4", "k_mg_l": "K", "fe_mg_l": "Fe"}
)
"""Ion by the key under which its test is stored."""

KINDS: Final[Mapping[LogKind, LogData]] = {
    LogKind.WATER_CHANGE: WaterChangeDataSchema(),
    LogKind.DOSE: DoseDataSchema(),
    LogKind.KH_TEST: KhTestDataSchema(),
    LogKind.GH_TEST: GhTestDataSchema(),
    LogKind.NUTRIENT_TEST: NutrientTestDataSchema(),
    LogKind.TRIM: TrimDataSchema(),
    LogKind.REPLANT: ReplantDataSchema(),
    LogKind.FILTER_CLEAN: FilterCleanDataSchema(),
    LogKind.STOCKING: StockingDataSchema(),
    LogKind.CALIBRATION: CalibrationDataSchema(),
    LogKind.ADJUSTMENT: AdjustmentDataSchema(),
    LogKind.SALT: SaltDataSchema(),
    LogKind.MEDICATION: MedicationDataSchema(),
    LogKind.BUFFER: BufferDataSchema(),
    LogKind.CYLINDER: CylinderDataSchema(),
    LogKind.PROBE_OUT: ProbeOutDataSchema(),
    LogKind.PROBE_BACK: ProbeBackDataSchema(),
    LogKind.OBSERVATION: ObservationDataSchema(),
}
"""What belongs to each kind, in the order in which forms and documents list them."""
