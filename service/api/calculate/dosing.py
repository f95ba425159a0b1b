"""Salts and stock solutions to mg/L, and back."""

from __future__ import annotations

from typing import Any, Final

from service.api.calculate.formula import Formula, given, sentences
from service.derive.calculations.dosing import (
    Bottle,
    Grade,
    IonLevel,
    dose,
    stock_dose,
)
from service.registry.fields.dose_content import SaltSchema
from service.schemas.answers import AnswerSchema
from service.schemas.base import Items, Nested, ValueSchema
from service.schemas.fields import NEAREST, Choice, Field, Number, Text, finite, within
from service.schemas.quantities import Measure, carbonate_hardness, general_hardness
from service.schemas.together import all_of, exactly_one, not_both
from service.science.nutrients.dosing import SUBSTANCES


class LevelSchema(ValueSchema):
    """How much of an ion is in the tank already."""

    makes = IonLevel

    ion = Text(shortest=1, longest=20, required=True)
    level = Measure("mg/L", attribute="mg_l", low=0, high=1e5, required=True)


class RiseSchema(AnswerSchema):
    """How much of an ion the dose adds."""

    ion = Text()
    rise = Measure("mg/L", attribute="mg_l")


class LabelField(Field):
    """Mass fractions by ion, as on a label."""

    allowed = "an object with a share above 0 and up to 1 for each ion, such as Fe"
    json_schema: dict[str, Any] = {  # noqa: RUF012 - read only
        "type": "object",
        "additionalProperties": {"type": "number", "exclusiveMinimum": NEAREST, "maximum": 1},
        "minProperties": 1,
        "maxProperties": 30,
        "propertyNames": {"maxLength": 20},
    }

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, float]:
        if not isinstance(value, dict) or not 0 < len(value) <= 30:
            raise self.refuse(value)
        shares = {name: finite(share) for name, share in value.items()}
        found = {
            name: share for name, share in shares.items() if share and within(share, None, 1, 0)
        }
        if len(found) < len(value) or any(len(name) > 20 for name in value):
            raise self.refuse(value)
        return found


class BottleSchema(ValueSchema):
    """A stock solution."""

    makes = Bottle

    volume = Measure(
        "mL", "Of the bottle.", attribute="volume_ml", above=0, high=1e6, required=True
    )
    dose = Measure("mL", "Of one dose.", attribute="dose_ml", above=0, high=1e6, required=True)


class GradeSchema(ValueSchema):
    """N-P-K of a bag whose nitrogen is all nitrate; ammonium and urea poison fish."""

    makes = Grade

    n = Number("Percent.", attribute="n_percent", low=0, high=100, required=True)
    p2o5 = Number("Percent.", attribute="p2o5_percent", low=0, high=100, required=True)
    k2o = Number("Percent.", attribute="k2o_percent", low=0, high=100, required=True)


class OverSchema(AnswerSchema):
    """An ion above its ceiling."""

    ion = Text()
    level = Measure("mg/L", attribute="mg_l")
    ceiling = Measure("mg/L", attribute="ceiling.mg_l")
    caution = Text(longest=1000, attribute="ceiling.caution")
    source = Text(longest=1000, attribute="ceiling.source")


DOSE: Final = Formula(
    name="dose",
    title="What a dose of a salt adds, or how much of it gives a wanted rise",
    function=dose,
    asks={
        "substance": Choice("A known salt; this or `label`.", words=list(SUBSTANCES)),
        "label": LabelField("Mass fraction of each ion, from the label; this or `substance`."),
        "grade": Nested(GradeSchema, "N-P-K of a bag; in place of `substance`."),
        "volume": Measure("L", "Net water of the tank.", above=0, high=1e6, required=True),
        "mass": Measure("g", "Weighed; this or `rise`.", low=0, high=1e6),
        "ion": Text("Whose rise is wanted.", shortest=1, longest=20),
        "rise": Measure("mg/L", "Wanted; this or `mass`.", low=0, high=1e5),
        "bottle": Nested(BottleSchema, "To make a stock solution of it."),
        "levels": Items(
            LevelSchema, "In the tank already; judged together with the dose.", longest=30
        ),
    },
    answers={
        "mass": Measure("g", "Of one dose."),
        "rises": Items(RiseSchema),
        "kh_rise": carbonate_hardness(""),
        "gh_rise": general_hardness(""),
        "bottle_mass": Measure("g", "For the bottle, filled up with water.", allow_none=True),
        "over": Items(OverSchema, "Ions above their ceiling after the dose."),
        "cautions": sentences(),
    },
    together=all_of(
        exactly_one("substance", "label", "grade"),
        exactly_one("mass", ("rise", "ion")),
        not_both("mass", "rise"),
    ),
    example=given(
        substance="KNO3",
        volume="180 L",
        ion="NO3",
        rise="10 mg/L",
        bottle=given(volume="500 mL", dose="20 mL"),
    ),
)

STOCK: Final = Formula(
    name="stock",
    title="What a dose of a stock solution adds, or how much of it gives a wanted rise",
    function=stock_dose,
    asks={
        "salts": Items(SaltSchema, "In the bottle.", shortest=1, longest=20, required=True),
        "bottle": Measure("mL", "Filled up with water to this.", above=0, high=1e6, required=True),
        "volume": Measure("L", "Net water of the tank.", above=0, high=1e6, required=True),
        "dose": Measure("mL", "This or `rise`.", low=0, high=1e6),
        "ion": Text("Whose rise is wanted.", shortest=1, longest=20),
        "rise": Measure("mg/L", "Wanted; this or `dose`.", low=0, high=1e5),
    },
    answers={
        "dose": Measure("mL", attribute="dose_ml"),
        "rises": Items(RiseSchema),
        "cautions": sentences(),
    },
    together=all_of(exactly_one("dose", ("rise", "ion")), not_both("dose", "rise")),
    example=given(
        salts=[given(substance="KNO3", mass="25 g")],
        bottle="500 mL",
        volume="100 L",
        ion="NO3",
        rise="3 mg/L",
    ),
)
