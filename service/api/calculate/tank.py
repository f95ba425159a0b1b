"""The water in a tank from its dimensions."""

from __future__ import annotations

from typing import Any, Final

from service.api.calculate.formula import Formula, given
from service.derive.calculations.volume import tank_volume
from service.schemas.fields import Number
from service.schemas.quantities import Measure


def _side(doc: str, attribute: str, **kwargs: Any) -> Measure:
    return Measure("cm", doc, attribute=attribute, above=0, high=10_000, **kwargs)


VOLUME: Final = Formula(
    name="volume",
    title="Water in a tank, from its dimensions and what is in it",
    about="Inner dimensions, or outer ones with the thickness of the glass.",
    function=tank_volume,
    asks={
        "length": _side("Length.", "length_cm", required=True),
        "width": _side("Front to back.", "width_cm", required=True),
        "height": _side("Bottom to rim.", "height_cm", required=True),
        "glass": Measure("cm", "Thickness of the panes; 0 for inner dimensions.", low=0, high=100),
        "fill_height": _side("Bottom to surface; default: to the rim.", "fill_height_cm"),
        "substrate_depth": Measure("cm", "Mean depth of soil or gravel.", low=0, high=10_000),
        "substrate_porosity": Number("Share of the substrate that is water.", low=0, high=1),
        "hardscape": Measure("L", "Volume of rock and wood above the substrate.", low=0, high=1e6),
    },
    answers={
        "gross": Measure("L", "Length x width x height."),
        "net": Measure("L", "Water."),
        "displaced": Measure("L", "Glass, air, substrate and hardscape: gross less net."),
    },
    example=given(length="90 cm", width="45 cm", height="45 cm"),
)
