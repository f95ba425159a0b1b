"""Fields of the log for animals that came in, were lost or were removed."""

from __future__ import annotations

from typing import Any

from service.registry.fields.limits import MOST_ANIMALS, NAME_LENGTH
from service.registry.fields.log.entry import LogData
from service.schemas.fields import Text, Whole, finite


class AnimalCount(Whole):
    """How many animals came in; negative for those lost or removed; never 0."""

    def __init__(self, doc: str = "", **kwargs: Any) -> None:
        super().__init__(doc, low=-MOST_ANIMALS, high=MOST_ANIMALS, **kwargs)
        self.allowed = "a whole number other than 0, with a minus for animals lost or removed"

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> int:
        if finite(value) == 0:
            raise self.refuse(value)
        return super()._deserialize(value, attr, data, **kwargs)


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
