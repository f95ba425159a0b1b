"""``/v1/shares``: links that show one tank's handover sheet to whoever has them."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

from flask.views import MethodView

from service.advice.contact import covers
from service.advice.handover.absence import LONGEST, absence_of, present_or_next
from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import SHARE
from service.api.http.problems.faults import error_of, invalid_field
from service.api.resources.handover.reporting import address_of
from service.errors import FieldFault, NotFoundError
from service.registry.fields.limits import NAME_LENGTH
from service.registry.models.access import ShareLink
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Schema
from service.schemas.fields import Choice, Name, Text, YesNo
from service.schemas.times import Moment, Span
from service.times import format_moment

STATES: Final = ("valid", "expired", "revoked")

blueprint = Blueprint(
    "shares", __name__, url_prefix="/v1/shares", description="Links that show one handover sheet."
)


class SharingLinkSchema(AnswerSchema):
    """A sharing link, without its secret."""

    id = Text()
    tank = Text("Whose sheet it shows.")
    state = Choice(words=STATES)
    start = Moment("Of the span that the sheet covers.")
    end = Moment()
    created = Moment()
    expires = Moment("Then it shows nothing any more.")
    revoked = Moment("Null: it was not.", allow_none=True)
    last_used = Moment("To the minute; null: never.", allow_none=True)
    name = Text("Who it is for.")
    may_report = YesNo("Whether it takes reports of what was done, beside showing the sheet.")


class NewSharingLinkSchema(SharingLinkSchema):
    """A sharing link that was just made; its secret is in this answer only."""

    secret = Text("The last part of the address.", required=True)
    url = Text("Address to pass on; it will not be shown again.", longest=1000, required=True)


class SharingLinksSchema(AnswerSchema):
    """All sharing links that there ever were, oldest first."""

    shares = Items(SharingLinkSchema)
    next = Text(allow_none=True)


class SharingLinksOptionsSchema(Schema):
    """Which links."""

    tank = Name("Only those of this tank.")


class SharingLinkInSchema(Schema):
    """What a link is to show, and for how long.

    Without any span it is that of the tank's absence that is or comes next.
    """

    tank = Name("Whose sheet it shows.", required=True)
    absence = Name("Id of the absence that the sheet covers; in place of a span.")
    start = Moment("Of the span that the sheet covers; default: now.")
    end = Moment(f"At most {LONGEST.days} days after the start; this or `length`.")
    length = Span("Of the span, from its start.")
    expires = Moment("A year from now at most; default: the end of the span.")
    name = Text(
        "Who it is for. Only a link that takes reports shows it, and logs them under it.",
        longest=NAME_LENGTH,
    )
    may_report = YesNo(
        "Whoever has the link may also report what was done on the sheet, and leave a note; it "
        "needs a `name` then. Default: false."
    )


@blueprint.at("")
class SharingLinksView(MethodView):
    """Sharing links."""

    @blueprint.query(SharingLinksOptionsSchema)
    @blueprint.answers(200, SharingLinksSchema)
    def get(self, options: dict[str, Any]) -> dict[str, Any]:
        """All sharing links that there ever were, without their secrets"""
        found = current().registry.shares(options.get("tank"))
        return {"shares": [_shown(one) for one in found], "next": None}

    @blueprint.body(
        SharingLinkInSchema,
        example={"tank": "riffle", "length": "P7D", "name": "neighbour", "may_report": True},
    )
    @blueprint.answers(201, NewSharingLinkSchema)
    @blueprint.also_answers(503, description="The registry is not available.")
    def post(self, body: dict[str, Any]) -> With:
        """Make a link that shows the handover sheet of one tank until it expires

        Whoever has the link sees that sheet and nothing else; with `may_report` they also tick its
        tasks. Its secret is in this answer only; the registry stores a salted hash.
        """
        registry = current().registry
        may_report = body.get("may_report", False)
        if body["tank"] not in registry.tank_ids():
            raise invalid_field("/tank", body["tank"], "the id of a registered tank")
        start, end = _span(body)
        expires = body.get("expires", end)
        link, secret = registry.create_share(
            body["tank"],
            start,
            end,
            now(),
            expires=expires,
            name=body.get("name", "").strip(),
            may_report=may_report,
        )
        return _shown(link, secret=secret, url=address_of(secret))


@blueprint.at("/<id>", "DELETE", parameters=SHARE)
@blueprint.answers(200, SharingLinkSchema)
def revoke(id: str) -> With:
    """Revoke a sharing link at once; it stays in the list"""
    return _shown(current().registry.revoke_share(id, now()))


def _span(body: dict[str, Any]) -> tuple[datetime, datetime]:
    """The span that a link's sheet covers.

    Raises:
        InvalidInputError: it makes no sense, or none is given and none is planned.
    """
    registry, tank, present = current().registry, body["tank"], now()
    given = [name for name in ("start", "end", "length") if name in body]
    if "absence" in body:
        if given:
            raise invalid_field("/absence", body["absence"], f"this or {given[0]}, not both")
        try:
            absence = absence_of(body["absence"], registry)
        except NotFoundError:
            known = "the id of an absence in /v1/absences"
            raise invalid_field("/absence", body["absence"], known) from None
        if not covers(absence, tank):
            raise invalid_field("/absence", body["absence"], f"an absence that is about {tank}")
        return absence.start, absence.end
    if not given:
        planned = present_or_next(registry.absences(), present, tank)
        if planned is not None:
            return planned.start, planned.end
    return _given_span(body, body.get("start", present))


def _given_span(body: dict[str, Any], start: datetime) -> tuple[datetime, datetime]:
    if "length" in body:
        if "end" in body:
            raise invalid_field("/end", format_moment(body["end"]), "this or length, not both")
        end = start + body["length"]
    elif "end" in body:
        end = body["end"]
    else:
        allowed = "a time, or length (littoral share: --days); no absence of this tank is planned"
        raise error_of((FieldFault("/end", f"/end is missing; allowed: {allowed}"),))
    if not start < end <= start + LONGEST:
        allowed = f"after the start and within {LONGEST.days} days of it"
        raise invalid_field("/length" if "length" in body else "/end", format_moment(end), allowed)
    return start, end


def _shown(link: ShareLink, **members: str) -> With:
    """A link with its state, and members of its first answer."""
    state = "revoked" if link.revoked else "valid" if link.valid(now()) else "expired"
    return With(link, state=state, **members)
