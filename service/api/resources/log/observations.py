"""``/v1/observations``: what can be observed on a scale; ``…/{tank}/observations``: what was."""

from __future__ import annotations

from typing import Any, Final

from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import TANK
from service.api.resources.log.paging import LogPageSchema, log_page
from service.derive.observations import Observation, observations_of
from service.registry.fields.limits import NOTE_LENGTH
from service.registry.log.observations import HIGHEST, LOWEST, OBSERVATIONS, ObservationGroup
from service.registry.models.log import LogKind
from service.schemas.answers import AnswerSchema
from service.schemas.base import Items
from service.schemas.fields import Choice, Name, Text, Whole
from service.schemas.times import Moment

_STEPS: Final = HIGHEST - LOWEST + 1

scales = Blueprint(
    "scales", __name__, url_prefix="/v1/observations", description="Scales of what can be observed."
)
blueprint = Blueprint(
    "observations",
    __name__,
    url_prefix="/v1/tanks/<tank>/observations",
    description="What was observed in a tank, on a scale of 0 to 5.",
)


class ScaleSchema(AnswerSchema):
    """One kind of observation with its steps."""

    kind = Name("In the data of a log entry.", attribute="code")
    title = Text("For people.")
    group = Choice("What it is about.", words=list(ObservationGroup))
    steps = Items(Text(), "What each step means, from 0 to 5.", shortest=_STEPS, longest=_STEPS)


class ScalesSchema(AnswerSchema):
    """All kinds, in the order in which forms list them."""

    observations = Items(ScaleSchema)
    next = Text(allow_none=True)


class ObservationOptionsSchema(LogPageSchema):
    """Which observations."""

    kind = Choice("Only those of this kind.", words=list(OBSERVATIONS))


class ObservationSchema(AnswerSchema):
    """What was seen at one moment."""

    entry = Name("Id of the log entry.", attribute="entry.id")
    time = Moment("When it was seen.")
    kind = Choice(words=list(OBSERVATIONS), attribute="kind.code")
    title = Text("The kind, for people.", attribute="kind.title")
    level = Whole("The step.", low=LOWEST, high=HIGHEST)
    step = Text("What the step means.", attribute="seen.step")
    note = Text("The entry's remark.", longest=NOTE_LENGTH, lines=True, attribute="entry.note")
    by = Text("Who saw it.", attribute="entry.by")


class ObservationsSchema(AnswerSchema):
    """Observations of a tank, newest first."""

    tank = Text()
    observations = Items(ObservationSchema)
    next = Text(allow_none=True)


@scales.at("", "GET")
@scales.answers(200, ScalesSchema)
def kinds() -> dict[str, Any]:
    """What can be observed on a scale of 0 to 5, with a plain description of each step"""
    return {"observations": list(OBSERVATIONS.values()), "next": None}


@blueprint.at("", "GET", parameters=TANK)
@blueprint.query(ObservationOptionsSchema)
@blueprint.answers(200, ObservationsSchema)
def observations(options: dict[str, Any], tank: str) -> dict[str, Any]:
    """What was observed in a tank on a scale, newest first

    They are log entries of the kind `observation` with a `kind` and a `level` in their data. A page
    looks at `limit` entries of the log and may hold fewer observations; `next` leads on.
    """
    entries, more = log_page(tank, options, [LogKind.OBSERVATION])
    wanted = options.get("kind")
    found: list[Observation] = [
        one for one in observations_of(entries) if wanted in (None, one.kind.code)
    ]
    return {"tank": tank, "observations": found, "next": more}
