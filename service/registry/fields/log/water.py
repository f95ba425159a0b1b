"""Fields of the log for what goes into the water: new water, doses, salts, medication."""

from __future__ import annotations

from typing import Final

from service.registry.fields.limits import COLDEST_C, MOST_KH_MEQ_L, MOST_L, NAME_LENGTH, WARMEST_C
from service.registry.fields.log.entry import LogData, OneOf
from service.schemas.fields import Choice, Text
from service.schemas.quantities import Fraction, Measure, carbonate_hardness
from service.science.carbonate.inverse import BICARBONATE_SALT_G_MOL

_MOST_DOSE: Final = 100_000.0


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
