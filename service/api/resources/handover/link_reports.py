"""``/shared/{secret}/tasks`` and ``/reports``: what a colleague with a link may report."""

from __future__ import annotations

from typing import Any, Final

from flask.views import MethodView

from service.advice.handover.ticks import A_NOTE
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import SECRET
from service.api.resources.handover.reporting import (
    offered_ticks,
    reporting_link,
    reports_with,
    sheet_of_link,
    taken,
)
from service.api.resources.handover.signed_ticks import MOST_CHARACTERS, signed
from service.api.resources.log.observations import ScaleSchema
from service.registry.fields.limits import NAME_LENGTH, NOTE_LENGTH
from service.registry.log.observations import HIGHEST, LOWEST, OBSERVATIONS
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Number, Text, Whole, YesNo
from service.schemas.times import Day, Moment, Span

SHORTEST_KEY: Final = 8
LONGEST_KEY: Final = 64
_LONG: Final = 2000
_GONE: Final = "The link has expired or was revoked."
_NO_REPORTS: Final = "The link takes no reports, or a page of another site sends them."

blueprint = Blueprint(
    "link_reports", __name__, url_prefix="/shared", description="Reports with a sharing link."
)


class AskedNumberSchema(AnswerSchema):
    """The one number that a report may give."""

    label = Text("What it is.")
    unit = Text("UCUM, or the trade's.")
    value = Number("What the sheet says; null: it has to be given.", allow_none=True)


class LinkTaskSchema(AnswerSchema):
    """A task that may be ticked off."""

    task = Text("Goes into the report as it is.", longest=MOST_CHARACTERS)
    title = Text(longest=_LONG, attribute="instruction.title")
    action = Text(longest=_LONG, attribute="instruction.action")
    cautions = Items(Text(longest=_LONG), attribute="instruction.cautions")
    day = Day("In the tank's zone; null: now.", allow_none=True)
    number = Nested(AskedNumberSchema, allow_none=True, attribute="tick.number")
    reported = Moment(
        "When it was done, as reported; null: not yet.", allow_none=True, attribute="reported.time"
    )


class LinkTasksSchema(AnswerSchema):
    """What may be reported with a link."""

    tank = Text()
    name = Text("Under which reports are logged.")
    expires = Moment("No report is taken from then on.")
    tasks = Items(LinkTaskSchema, "What is open now, then day by day.")
    note = Text("In place of a task, for a note or an observation alone.", longest=MOST_CHARACTERS)
    observations = Items(ScaleSchema, "What can be observed on a scale.")


class GivenNumberSchema(Schema):
    """The number of a report."""

    value = Number(required=True)
    unit = Text("Any that converts to the one that is asked for.", required=True)


class GivenObservationSchema(Schema):
    """What was seen, on a scale."""

    kind = Choice("One of `observations`.", words=list(OBSERVATIONS), required=True)
    level = Whole("Which of its steps.", low=LOWEST, high=HIGHEST, required=True)


class ReportInSchema(Schema):
    """What was done."""

    task = Text(
        "As in `GET /shared/{secret}/tasks`.", longest=MOST_CHARACTERS, shortest=1, required=True
    )
    key = Text(
        "Chosen by the sender: a report sent again under its key is taken once.",
        shortest=SHORTEST_KEY,
        longest=LONGEST_KEY,
        required=True,
    )
    age = Span("So long ago it was done. Default: now.")
    number = Nested(GivenNumberSchema, "Default: as the sheet says.")
    note = Text("A remark for the log.", longest=NOTE_LENGTH, lines=True)
    observation = Nested(GivenObservationSchema, "Beside a note or alone; not with a task.")


class ReportSchema(AnswerSchema):
    """A report that is stored."""

    key = Text()
    title = Text("What was done.")
    time = Moment("When it was done.")
    entry = Text("Id of the log entry; null: the tank keeper has deleted it.", allow_none=True)
    fresh = YesNo("False: it had come before under this key.")


class ReportsSchema(AnswerSchema):
    """What was reported with a link, newest first; not what was deleted since."""

    name = Text("Under which reports are logged.", longest=NAME_LENGTH)
    reports = Items(ReportSchema)


@blueprint.at("/<secret>/tasks", "GET", parameters=SECRET)
@blueprint.answers(200, LinkTasksSchema)
@blueprint.also_answers(403, description="The link takes no reports.")
@blueprint.also_answers(404, description="There is no such link.")
@blueprint.also_answers(410, description=_GONE)
@blueprint.also_answers(503, description="The store of readings is not available.")
def tasks(secret: str) -> dict[str, Any]:
    """What may be reported with a sharing link"""
    link = reporting_link(secret)
    sheet = sheet_of_link(link)
    return {
        "tank": link.tank,
        "name": link.name,
        "expires": link.expires,
        "tasks": [one for one in offered_ticks(sheet.tanks[0], link) if one.tick is not None],
        "note": signed(A_NOTE, link),
        "observations": list(OBSERVATIONS.values()),
    }


@blueprint.at("/<secret>/reports", parameters=SECRET)
class LinkReportsView(MethodView):
    """Reports with a sharing link."""

    @blueprint.answers(200, ReportsSchema)
    @blueprint.also_answers(403, description="The link takes no reports.")
    @blueprint.also_answers(404, description="There is no such link.")
    @blueprint.also_answers(410, description=_GONE)
    def get(self, secret: str) -> dict[str, Any]:
        """What was reported with a sharing link"""
        link = reporting_link(secret)
        found = reports_with(link)
        return {"name": link.name, "reports": [With(one, fresh=False) for one in found]}

    @blueprint.body(ReportInSchema, example={"task": "…", "key": "6f0c3b1e9a", "age": "PT3H"})
    @blueprint.answers(200, ReportSchema)
    @blueprint.also_answers(403, description=_NO_REPORTS)
    @blueprint.also_answers(404, description="There is no such link.")
    @blueprint.also_answers(409, description="The task was reported before.")
    @blueprint.also_answers(410, description=_GONE)
    def post(self, body: dict[str, Any], secret: str) -> With:
        """Report a task of the sheet as done, or leave a note or an observation

        It is logged under the name on the link; nothing else can be written with it. A report
        sent again under its `key` is taken once and answered as the first time. With photographs:
        `POST /shared/{secret}/pictures`.
        """
        link = reporting_link(secret)
        stored, fresh = taken(link, **body)
        return With(stored, fresh=fresh)
