"""What to do when animals are in distress: the same in emergencies and in advice."""

from __future__ import annotations

from dataclasses import dataclass

from service.advice.engine.recommendation import Amount
from service.advice.engine.rule import Case
from service.advice.engine.work import Hazard
from service.advice.phrases import litres

RESCUE_FRACTION = 1 / 3
"""Share of the water to change when animals are in distress. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Relief:
    """First aid for animals.

    Attributes:
        air: sentence on moving the water.
        water: what to change, without a capital and a full stop.
        amounts, hazards: of that.
    """

    air: str
    water: str
    amounts: tuple[Amount, ...]
    hazards: tuple[Hazard, ...]


def relief(case: Case) -> Relief:
    """First aid in this tank; its CO2 is closed besides, where there is any."""
    volume_l = case.view.net_volume_l
    third = () if volume_l is None else (Amount("water", RESCUE_FRACTION * volume_l, "L"),)
    how_much = f" ({litres(third[0].value)})" if third else ""
    gas = (Hazard.CO2,) if case.tank.co2_injected else ()
    return Relief(
        "Raise the filter outlet or run an air stone.",
        f"change a third of the water{how_much}, with water conditioner, at the tank's own "
        "temperature",
        third,
        (Hazard.ANIMALS, Hazard.HOT_WATER, *gas),
    )
