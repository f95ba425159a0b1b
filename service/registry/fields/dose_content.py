"""Fields of what is in a fertiliser: salts that were weighed, or what its label states."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from service.registry.fields.limits import MOST_SALT_G
from service.registry.models.plans import Salt
from service.schemas.base import ValueSchema
from service.schemas.fields import NEAREST, Choice, Field, finite, within
from service.schemas.quantities import Measure
from service.science.nutrients.dosing import SUBSTANCES

LABEL_IONS: Final = ("NO3", "PO4", "K", "Fe", "Ca", "Mg")
"""What a label may state, as test kits name it: nitrogen as NO3, phosphorus as PO4."""

_MOST_MG: Final = 1000.0  # in a gram


class SaltSchema(ValueSchema):
    """A salt in the bottle."""

    makes = Salt

    substance = Choice("A known salt.", label="Salt", words=list(SUBSTANCES), required=True)
    mass = Measure("g", attribute="mass_g", above=0, high=MOST_SALT_G, required=True)


class LabelAmounts(Field):
    """mg of each ion in a mL or a g, as on a label."""

    allowed = (
        f"an object with a number above 0 and up to {_MOST_MG:g} for each of "
        f"{', '.join(LABEL_IONS)} that is in it"
    )
    json_schema: dict[str, Any] = {  # noqa: RUF012 - read only
        "type": "object",
        "properties": {
            ion: {"type": "number", "exclusiveMinimum": NEAREST, "maximum": _MOST_MG}
            for ion in LABEL_IONS
        },
        "additionalProperties": False,
    }

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, float] | None:
        return None if value is None else dict(value)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, float]:
        self._check(value)
        return {ion: float(amount) for ion, amount in value.items()}

    def _check(self, value: Any) -> None:
        if not isinstance(value, Mapping) or not set(value) <= set(LABEL_IONS):
            raise self.refuse(value)
        for amount in value.values():
            number = finite(amount)
            if number is None or not within(number, None, _MOST_MG, 0):
                raise self.refuse(value)
