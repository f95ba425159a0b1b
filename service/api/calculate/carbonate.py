"""CO2, pH, KH: the carbonate balance in all directions."""

from __future__ import annotations

from typing import Any, Final

from service.api.calculate.formula import Formula, given, sentences
from service.api.calculate.measured import (
    IONS,
    MEASURED,
    OTHER_BASES,
    Co2InputsSchema,
    InputErrorsSchema,
)
from service.derive.calculations import carbonate
from service.derive.calculations.co2 import co2
from service.derive.models.co2 import Co2State
from service.schemas.base import Nested
from service.schemas.fields import Choice, Text
from service.schemas.quantities import Fraction, Measure, Ph, carbonate_hardness
from service.schemas.ranges import Estimated, Range
from service.science.carbonate.inverse import BICARBONATE_SALT_G_MOL

SALTS: Final = list(BICARBONATE_SALT_G_MOL)


def _kh(doc: str, attribute: str = "alkalinity_meq_l", **kwargs: Any) -> Measure:
    return carbonate_hardness(doc, attribute=attribute, **kwargs)


CO2: Final = Formula(
    name="co2",
    title="Dissolved CO2 from pH, carbonate hardness and temperature",
    about="The carbonate equilibrium with temperature-dependent constants and activity correction, "
    "with\na 95 % interval from the errors of pH, KH and temperature. The trade's rule\n"
    "3 x KH x 10^(7 - pH) is given for comparison.",
    function=co2,
    asks={
        "ph": Ph("As a calibrated glass electrode shows it.", required=True),
        "kh": _kh("Carbonate hardness.", required=True),
        "temperature": Measure("Cel", "Of the water.", low=0, high=50, required=True),
        **IONS,
        **OTHER_BASES,
        **MEASURED,
        "target": Range(
            "mg/L",
            "Range aimed at, for `co2`; default 20 to 30 mg/L (common practice).",
            low=0,
            high=1000,
        ),
    },
    answers={
        "co2": Estimated("mg/L", "Dissolved CO2; null when unknown.", allow_none=True),
        "method": Text("Name of the formula."),
        "inputs": Nested(Co2InputsSchema),
        "carbonate_kh": Estimated(
            "meq/L", "The carbonate hardness that `kh` is taken for, by how it was tested."
        ),
        "errors": Nested(InputErrorsSchema, "Limits of error in force, yours or the usual ones."),
        "target": Range("mg/L", "Range aimed at."),
        "state": Choice("Where the value lies against the target.", words=list(Co2State)),
        "rule_of_thumb": Measure(
            "mg/L",
            "What the trade's rule gives, for comparison (common practice, no source); it reads "
            "about 12 % low at 24 to 26 Cel.",
        ),
        "rule_of_thumb_method": Text("The rule."),
        "assumptions": sentences("What was taken for granted, and what would narrow the interval."),
        "reasons": sentences("Why unknown, or why the result is outside of sense; else empty."),
    },
    example=given(ph=6.6, kh="4 dKH", temperature="24 Cel"),
)

PH: Final = Formula(
    name="ph",
    title="The pH at which water has a CO2 aimed at",
    function=carbonate.ph_for_co2,
    asks={
        "co2": Measure("mg/L", "Aimed at.", above=0, high=1000, required=True),
        "kh": _kh("Carbonate hardness.", required=True),
        "temperature": Measure("Cel", low=0, high=50, required=True),
        **IONS,
        **OTHER_BASES,
        **MEASURED,
    },
    answers={
        "ph": Estimated(
            "[pH]",
            "As the probe shows it, its error included. Null where no pH from 2 to 12 fits.",
            allow_none=True,
        ),
        "assumptions": sentences("What was taken for granted."),
        "reasons": sentences(),
    },
    example=given(co2="25 mg/L", kh="4 dKH", temperature="24 Cel"),
)

KH: Final = Formula(
    name="kh",
    title="The carbonate hardness of water of a known CO2 and pH",
    about="Such as of a sample aerated overnight, whose CO2 is that of the air.",
    function=carbonate.kh_of_water,
    asks={
        "co2": Measure("mg/L", low=0, high=1000, required=True),
        "ph": Ph(required=True),
        "temperature": Measure("Cel", low=0, high=50, required=True),
        **IONS,
    },
    answers={"kh": _kh("Null where it would be below 0.", allow_none=True), "reasons": sentences()},
    example=given(co2="0.6 mg/L", ph=8.1, temperature="24 Cel"),
)

CARBONATE_KH: Final = Formula(
    name="carbonate-kh",
    title="How much of a tested carbonate hardness is carbonate",
    about="Phosphate, borate and humic acids count in a KH test too; CO2 from the whole KH is then "
    "too high.",
    function=carbonate.carbonate_part,
    asks={
        "kh": _kh("As tested.", above=0, required=True),
        "ph": Ph("Of the tank.", required=True),
        "temperature": Measure("Cel", low=0, high=50, required=True),
        "po4": Measure(
            "mg/L", "Phosphate; default 0.", low=0, high=1000, attribute="phosphate_mg_l"
        ),
        "boron": Measure("mg/L", "As B; default 0.", low=0, high=1000),
        "organic_carbon": Measure(
            "mg/L", "Dissolved, of humic kind (brown water: 5 to 20); default 0.", low=0, high=1000
        ),
    },
    answers={
        "kh": _kh("Of carbonate alone."),
        "non_carbonate_fraction": Fraction("Of the tested KH.", attribute="non_carbonate_fraction"),
        "cautions": sentences(),
    },
    example=given(kh="4 dKH", ph=6.8, temperature="24 Cel", po4="5 mg/L"),
)

BICARBONATE: Final = Formula(
    name="bicarbonate",
    title="How much bicarbonate raises the carbonate hardness to a target",
    function=carbonate.bicarbonate,
    asks={
        "volume": Measure("L", "Net water.", low=1e-3, high=1e6, required=True),
        "kh": _kh("Now.", required=True),
        "target": _kh("Aimed at.", "target_meq_l", required=True),
        "salt": Choice("Default NaHCO3.", words=SALTS, load_default="NaHCO3"),
    },
    answers={
        "salt": Choice(words=SALTS),
        "mass": Measure("g", "0 where the target is reached already."),
        "days": Measure(
            "d", "Over so many days at least, with fish in the tank.", attribute="days"
        ),
        "cautions": sentences(),
    },
    example=given(volume="180 L", kh="2 dKH", target="4 dKH"),
)
