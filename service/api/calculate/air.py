"""What water holds of air, and the ammonia that harms in it."""

from __future__ import annotations

from typing import Final

from service.api.calculate.formula import Formula, given
from service.derive.calculations.air import ammonia, dissolved_gases
from service.schemas.quantities import Fraction, Measure, Ph

_TEMPERATURE: Final = Measure("Cel", attribute="temperature_c", low=0, high=40, required=True)

GASES: Final = Formula(
    name="gases",
    title="Oxygen and CO2 of water in equilibrium with air",
    function=dissolved_gases,
    asks={
        "temperature": _TEMPERATURE,
        "altitude": Measure("m", "Default: sea level.", low=-400, high=9000),
    },
    answers={
        "oxygen": Measure("mg/L", "Benson & Krause 1984."),
        "co2_outdoors": Measure("mg/L", "Weiss 1974, at 420 ppm."),
        "co2_room": Measure("mg/L", "The same at 600 ppm, as in a lived-in room."),
    },
    example=given(temperature="25 Cel"),
)

AMMONIA: Final = Formula(
    name="ammonia",
    title="The un-ionised part of total ammonia",
    function=ammonia,
    asks={
        "total": Measure("mg/L", "As N.", low=0, high=1000, required=True),
        "ph": Ph(required=True),
        "temperature": _TEMPERATURE,
    },
    answers={
        "unionised": Measure("mg/L", "As N."),
        "fraction": Fraction("Emerson et al. 1975.", attribute="unionised_fraction"),
        "harmful_from": Measure("mg/L", "Gills are harmed from here on."),
    },
    example=given(total="0.5 mg/L", ph=7.8, temperature="27 Cel"),
)
