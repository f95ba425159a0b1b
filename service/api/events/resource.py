"""``/v1/events``: what happened, as a list to ask for or a stream to listen to.

A stream ends by itself after a while: the listener comes back with the number it has seen last.
"""

from __future__ import annotations

from typing import Any, Final

from flask import Response, g, request

from service.api.context import app_singleton, current
from service.api.events.poller import Poller
from service.api.events.schemas import HIGHEST, EventsSchema
from service.api.events.stream import PART, Listeners, StreamTiming, Subscription, stream
from service.api.http.access.auth import Caller, still_admitted
from service.api.http.blueprint import Blueprint
from service.api.http.pagination import page_by_key
from service.api.http.problems.faults import invalid_option
from service.api.http.responses import as_json
from service.schemas.base import Schema
from service.schemas.fields import Name, Whole, YesNo

_EVENTS: Final = EventsSchema()
STREAM: Final = "text/event-stream"
LAST_SEEN: Final = "Last-Event-ID"

blueprint = Blueprint("events", __name__, url_prefix="/v1", description="What happened.")


class EventsOptionsSchema(Schema):
    """Which events."""

    after = Whole(
        "Only those with a higher sequence; default: all, and for a stream those to come.",
        low=0,
        high=HIGHEST,
        text=True,
    )
    tank = Name("Only of this tank.")
    readings = YesNo("A stream also sends each sensor's newest reading.", text=True)
    limit = Whole(f"At most so many in a list; default {PART}.", low=1, high=1000, text=True)


_LAST_SEEN_HEADER: Final = {
    "name": LAST_SEEN,
    "in": "header",
    "required": False,
    "description": "For a stream: the last sequence that was seen; goes before `after`.",
    "schema": {"type": "string", "pattern": "^[0-9]{1,15}$"},
}


_ALSO_A_STREAM: Final = {200: {"content": {STREAM: {"schema": {"type": "string"}}}}}


@blueprint.at("/events", "GET")
@blueprint.query(EventsOptionsSchema)
@blueprint.headers(_LAST_SEEN_HEADER)
@blueprint.answers(200, EventsSchema)
@blueprint.also_answers(503, description="Too many listeners.")
@blueprint.described(responses=_ALSO_A_STREAM)
def events(options: dict[str, Any]) -> Response:
    """What happened, oldest first; with `Accept: text/event-stream` as it happens

    A stream (server-sent events, as the HTML standard describes them) begins with an event
    `listening`; then it sends each event under its sequence as `id`, its type as `event` and its
    JSON as `data`, and a comment every 15 s. With `readings=true` it sends the newest reading of
    each sensor first, and each that comes later, as events `reading` without an `id`; while the
    store is away an event `trouble` says why. It ends after ten minutes at most, or when the token
    that it was begun with does; a browser's EventSource then comes back by itself.
    """
    if request.accept_mimetypes.best_match(["application/json", STREAM]) == STREAM:
        return _stream(options)
    limit = options.get("limit", PART)
    registry, tank = current().registry, options.get("tank")
    found = registry.events(options.get("after", 0), limit=limit + 1, tank=tank)
    shown, more = page_by_key(found, limit, lambda one: one.sequence)
    return as_json(_EVENTS.dump({"events": shown, "next": more}))


def _stream(options: dict[str, Any]) -> Response:
    context = current()
    after = _last_seen(options)
    if after is None:
        after = context.registry.last_sequence()
    timing = app_singleton(StreamTiming, lambda _: StreamTiming())
    poller = app_singleton(
        Poller, lambda context: Poller(context.registry, context.store, timing.poll_s / 2)
    )
    subscription = Subscription(after, options.get("tank"), options.get("readings", False))
    listeners = app_singleton(Listeners, lambda context: Listeners(context.config.http))
    leave = listeners.enter(request.remote_addr or "")
    gone = request.environ.get("waitress.client_disconnected", lambda: False)
    caller: Caller = g.caller

    def ended() -> bool:
        if context.stopping.is_set() or gone():
            return True
        return not still_admitted(caller, context)

    text = stream(context.registry, poller, subscription, ended, timing)
    response = Response(text, mimetype=STREAM)
    response.headers["Cache-Control"] = "no-store"
    response.headers["X-Accel-Buffering"] = "no"
    response.call_on_close(leave)
    return response


def _last_seen(options: dict[str, Any]) -> int | None:
    text = request.headers.get(LAST_SEEN, "")
    if not text:
        after: int | None = options.get("after")
        return after
    if not (text.isascii() and text.isdigit() and len(text) < 16):
        raise invalid_option(LAST_SEEN, text, "a whole number, the id of the last event seen")
    return int(text)
