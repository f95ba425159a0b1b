"""Fields of an absence."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from types import MappingProxyType
from typing import Any

from service.errors import Refusal
from service.registry.fields.limits import (
    LONGEST_ABSENCE_DAYS,
    MOST_ABSENCES,
    NAME_LENGTH,
    NOTE_LENGTH,
)
from service.registry.models.absence import Absence
from service.schemas.base import Items, ValueSchema
from service.schemas.fields import Name, Text
from service.schemas.times import Moment
from service.times import format_moment


class AbsenceSchema(ValueSchema):
    """From-to in which the tank keeper is away."""

    makes = Absence
    defaults: Mapping[str, Any] = MappingProxyType({"id": ""})

    id = Name("Given by the service unless by you.")
    start = Moment("From.", required=True)
    end = Moment(f"To; within {LONGEST_ABSENCE_DAYS} days of the start.", required=True)
    covers = Text("Who looks after the tanks.", longest=NAME_LENGTH)
    tanks = Items(Name(), "Ids; empty: all tanks.", longest=MOST_ABSENCES)
    note = Text(longest=NOTE_LENGTH, lines=True)
    contact = Text(
        "How the tank keeper can be reached meanwhile; empty: as each tank says.",
        label="Contact",
        longest=NAME_LENGTH,
    )

    def contradictions(self, value: Absence) -> dict[str, Any]:
        """An absence ends after its start, and within a year."""
        longest = timedelta(days=LONGEST_ABSENCE_DAYS)
        if timedelta(0) < value.end - value.start <= longest:
            return {}
        allowed = (
            f"a time after the start, {format_moment(value.start)}, within "
            f"{LONGEST_ABSENCE_DAYS} days of it"
        )
        return {"end": [Refusal(format_moment(value.end), allowed)]}
