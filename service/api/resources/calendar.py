"""``/v1/tanks/{tank}/tasks.ics``: what to do, as a calendar to subscribe to."""

from __future__ import annotations

from typing import Any, Final

from flask import Response

from service.advice.engine.history.ledger import Ledger
from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import TANK
from service.api.http.public_address import tank_page_address
from service.integrations.calendar.tasks import Form, tank_calendar
from service.registry.models.recommendations import ACTIVE_STATES
from service.schemas.base import Schema
from service.schemas.fields import Choice

MEDIA_TYPE: Final = "text/calendar"

blueprint = Blueprint("calendar", __name__, url_prefix="/v1", description="Tasks as a calendar.")


class CalendarOptionsSchema(Schema):
    """What tasks are in it."""

    form = Choice(
        "`events`, which every calendar shows, or `todos`.",
        words=list(Form),
        load_default=Form.EVENTS,
    )


@blueprint.at("/tanks/<tank>/tasks.ics", "GET", parameters=TANK)
@blueprint.query(CalendarOptionsSchema)
@blueprint.answers(
    200, {"type": "string"}, description="iCalendar (RFC 5545).", content_type=MEDIA_TYPE
)
def tasks(options: dict[str, Any], tank: str) -> Response:
    """What to do about a tank, as a calendar to subscribe to"""
    context = current()
    found = context.registry.tank(tank)
    active = Ledger(context.registry).list(tank, ACTIVE_STATES)
    trials = [one for one in context.registry.running_trials() if one.tank == tank]
    ids = [*(one.id for one in active), *(one.id for one in trials)]
    revisions = context.registry.revisions(ids)
    url = tank_page_address(tank)
    text = tank_calendar(found, active, revisions, now(), url, Form(options["form"]), trials)
    return Response(
        text,
        content_type=f"{MEDIA_TYPE}; charset=utf-8",
        headers={
            "Content-Disposition": f'inline; filename="{tank}.ics"',
            "Cache-Control": "private, no-cache",
        },
    )
