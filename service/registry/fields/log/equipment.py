"""Fields of the log for filter, CO2 cylinder, valves, timers and plans."""

from __future__ import annotations

from service.registry.fields.limits import MOST_CYLINDER_G, NAME_LENGTH, NOTE_LENGTH
from service.registry.fields.log.entry import LogData
from service.registry.models.log import Lever
from service.schemas.fields import Choice, Text
from service.schemas.quantities import Measure


class FilterCleanDataSchema(LogData):
    """Which filter was cleaned."""

    label = "Filter clean"

    part = Text(
        "Which filter, or which part of it.",
        label="Which filter or part",
        shortest=1,
        longest=NAME_LENGTH,
    )


class CylinderDataSchema(LogData):
    """A full CO2 cylinder that was put on."""

    label = "New CO2 cylinder"

    content = Measure(
        "g",
        "CO2 in it when full.",
        label="CO2 in it",
        above=0,
        high=MOST_CYLINDER_G,
        required=True,
        entry_units=("g", "kg"),
        attribute="g",
    )


class AdjustmentDataSchema(LogData):
    """A valve, a timer or a plan that was adjusted.

    Written by the service itself when the plans of a tank are changed.
    """

    label = "Adjustment"

    lever = Choice(
        "What was adjusted.", label="What was adjusted", words=list(Lever), required=True
    )
    before = Text("What it was before.", label="Before", longest=NOTE_LENGTH)
    after = Text("What it is now.", label="Now", hint="such as 14 % more", longest=NOTE_LENGTH)
