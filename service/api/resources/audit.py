"""``/v1/audit``: who wrote what when."""

from __future__ import annotations

from typing import Any

from service.api.context import current
from service.api.http.blueprint import Blueprint
from service.api.http.pagination import page_by_key
from service.registry.audit import Action, ActorKind
from service.registry.fields.limits import NAME_LENGTH
from service.schemas.answers import AnswerSchema
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Text, Whole
from service.schemas.times import Moment

blueprint = Blueprint("audit", __name__, url_prefix="/v1", description="Who wrote what when.")


class ActorSchema(AnswerSchema):
    """Who wrote."""

    kind = Choice(
        "How it was recognized: by token, as a log-in at the pages, as this machine while there is "
        "no token, as a user of the operating system with the registry itself, or not at all.",
        words=list(ActorKind),
    )
    id = Text("Of the token or session; empty for others.")
    name = Text("Of the token, or of the user of the operating system.")
    address = Text("Where the request came from; empty for a command.")


class AuditRecordSchema(AnswerSchema):
    """One thing that somebody did; neither secrets nor what was written."""

    sequence = Whole("Rises with every record.", low=1, high=2**53)
    time = Moment("By the machine's own clock.")
    actor = Nested(ActorSchema)
    action = Choice(words=list(Action))
    subject = Text("What it was done to, such as `tanks/riffle/log/4be1c1f7`.")
    members = Items(Text(), "Names of the members that were changed.")


class AuditSchema(AnswerSchema):
    """Records, newest first."""

    records = Items(AuditRecordSchema)
    next = Text(allow_none=True)


class AuditOptionsSchema(Schema):
    """Which records."""

    actor = Text("Only of this id or name.", longest=NAME_LENGTH)
    action = Choice("Only this action.", words=list(Action))
    subject = Text("Only of this and what is below it: `tanks/riffle`.", longest=NAME_LENGTH)
    start = Moment("Only records from this moment on.")
    end = Moment("Only records before this moment.")
    before = Whole("Only records with a smaller sequence.", low=1, high=2**53, text=True)
    limit = Whole("At most so many; default 100.", low=1, high=1000, text=True, load_default=100)


@blueprint.at("/audit", "GET")
@blueprint.query(AuditOptionsSchema)
@blueprint.answers(200, AuditSchema)
def audit(options: dict[str, Any]) -> dict[str, Any]:
    """Who wrote what when, newest first

    Each write through API, pages and commands leaves one record, in its own transaction; what is
    refused leaves none, but for log-ins. Records are deleted by age.
    """
    limit = options.pop("limit")
    if "action" in options:
        options["action"] = Action(options["action"])
    found = current().registry.audit(**options, limit=limit + 1)
    shown, more = page_by_key(found, limit, lambda one: one.sequence, "before")
    return {"records": shown, "next": more}
