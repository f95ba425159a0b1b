"""Fields of the log for what was seen."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final

import marshmallow as ma

from service.errors import LEFT_OUT, Refusal
from service.registry.fields.limits import TALLEST_PLANT_CM
from service.registry.fields.log.entry import LogData
from service.registry.fields.log.plants import plant_of_tank
from service.registry.log.observations import HIGHEST, LOWEST, OBSERVATIONS
from service.schemas.fields import Choice, Whole
from service.schemas.free_json import ITEMS
from service.schemas.quantities import Measure
from service.schemas.together import all_of, both_or_neither

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
    plant = plant_of_tank("With `height`.")
    height = Measure(
        "cm",
        "How tall it is.",
        label="Height of the plant",
        low=0,
        high=TALLEST_PLANT_CM,
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
