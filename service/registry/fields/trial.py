"""Fields of a trial that people give."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from types import MappingProxyType
from typing import Any, Final

from service.errors import Refusal
from service.registry.fields.limits import NAME_LENGTH
from service.registry.models.trials import Trial
from service.schemas.base import Items, ValueSchema
from service.schemas.fields import Name, Text
from service.schemas.times import Moment
from service.times import format_moment

MOST_WATCHED: Final = 8
MOST_ENTRIES: Final = 20
MOST_RUNNING: Final = 20
"""Of one tank at a time; nobody tells more apart. Our choice."""
MOST_TRIALS: Final = 1000
"""Of one tank, in all."""
LEAST_LENGTH: Final = timedelta(days=1)
MOST_LENGTH: Final = timedelta(days=90)
"""The days before and after are read as a whole, with the log of the months before."""
MOST_AGO: Final = timedelta(days=60)
"""So long ago the change may be when the trial is begun."""
USUAL_LENGTH: Final = timedelta(days=14)


class TrialSchema(ValueSchema):
    """What a person says of a trial."""

    makes = Trial
    defaults: Mapping[str, Any] = MappingProxyType({"id": "", "tank": ""})

    question = Text(
        "What you want to know, or what you changed.",
        label="Question",
        hint="gas 30 min earlier",
        shortest=1,
        longest=NAME_LENGTH,
        required=True,
    )
    begun = Moment("When the change was made.", required=True)
    look_again = Moment("When to judge it.", label="Look again on", required=True)
    watched = Items(Name(), "What to compare.", longest=MOST_WATCHED, shortest=1, required=True)
    entries = Items(Name(), "Log entries of the change, by id.", longest=MOST_ENTRIES)
    by = Text("Who began it.", longest=NAME_LENGTH)

    def contradictions(self, value: Trial) -> dict[str, Any]:
        """It ends a day after the change at least, and not years later."""
        if LEAST_LENGTH <= value.look_again - value.begun <= MOST_LENGTH:
            return {}
        first, last = value.begun + LEAST_LENGTH, value.begun + MOST_LENGTH
        allowed = (
            f"{LEAST_LENGTH.days} to {MOST_LENGTH.days} days after the change: "
            f"{format_moment(first)} to {format_moment(last)}"
        )
        return {"look_again": [Refusal(format_moment(value.look_again), allowed)]}
