"""``/v1/events``: what happened, as a list to ask for or a stream to listen to.

A stream holds one of the server's threads for as long as it lasts; so half of them at most listen,
and a stream ends by itself after a while: the listener comes back with the number it has seen last.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from flask import Response, json, request

from service.api.blueprint import Blueprint
from service.api.context import Context, current, kept
from service.api.faults import invalid_option
from service.api.fields import Field, Moment, Name, Text, Whole
from service.api.paging import next_address
from service.api.responses import as_json
from service.api.schema import Items, Schema
from service.api.times import format_moment
from service.errors import LittoralError
from service.tanks.events import Event
from service.tanks.registry import Registry

STREAM: Final = "text/event-stream"
LAST_SEEN: Final = "Last-Event-ID"
POLL_S: Final = 1.0
HEARTBEAT_S: Final = 15.0
LASTS_S: Final = 600.0
RETRY_S: Final = 3
BUSY_RETRY_S: Final = 30
PART: Final = 100
_HIGHEST: Final = 2**53

blueprint = Blueprint("events", __name__, url_prefix="/v1", description="What happened.")


class BusyError(LittoralError):
    """Everything of a kind is taken."""

    slug = "busy"
    title = "Too many listeners"
    status = 503

    def __init__(self, detail: str) -> None:
        super().__init__(detail)
        self.headers = {"Retry-After": str(BUSY_RETRY_S)}


class AnyObject(Field):
    """A JSON object as it is."""

    json_schema: dict[str, Any] = {"type": "object"}  # noqa: RUF012 - read only


class EventSchema(Schema):
    """Something that happened."""

    sequence = Whole("Rises, and is never used again.", low=1, high=_HIGHEST, required=True)
    id = Text("The same as of the webhooks' CloudEvent.", required=True)
    type = Text("`recommendation.opened`, `.changed` or `.cleared`.", required=True)
    subject = Text("Id of the recommendation.", required=True)
    tank = Text(required=True)
    time = Moment(required=True)
    data = AnyObject("The recommendation.", required=True)


class EventsSchema(Schema):
    """Events, oldest first."""

    events = Items(EventSchema, required=True)
    next = Text(allow_none=True, required=True)


class EventsOptionsSchema(Schema):
    """Which events."""

    after = Whole(
        "Only those with a higher sequence; default: all, and for a stream those to come.",
        low=0,
        high=_HIGHEST,
        text=True,
    )
    tank = Name("Only of this tank.")
    limit = Whole(f"At most so many in a list; default {PART}.", low=1, high=1000, text=True)


_LAST_SEEN_HEADER: Final = {
    "name": LAST_SEEN,
    "in": "header",
    "required": False,
    "description": "For a stream: the last sequence that was seen; goes before `after`.",
    "schema": {"type": "string", "pattern": "^[0-9]{1,15}$"},
}


_ALSO_A_STREAM: Final = {200: {"content": {STREAM: {"schema": {"type": "string"}}}}}


class Listeners:
    """Counts the streams that are open, and lets no more in than may be."""

    def __init__(self, most: int) -> None:
        self.most = most
        self._open = 0
        self._lock = threading.Lock()

    def enter(self) -> Callable[[], None]:
        """Take a place; returns what gives it back, once.

        Raises:
            BusyError: all places are taken.
        """
        with self._lock:
            if self._open >= self.most:
                raise BusyError(
                    f"{self._open} listeners are connected; allowed: {self.most}, half of the "
                    "server's threads"
                )
            self._open += 1
        left = threading.Lock()

        def leave() -> None:
            if left.acquire(blocking=False):
                with self._lock:
                    self._open -= 1

        return leave


@dataclass(frozen=True, slots=True)
class Pace:
    """How a stream is paced, in seconds."""

    poll_s: float = POLL_S
    heartbeat_s: float = HEARTBEAT_S
    lasts_s: float = LASTS_S


@blueprint.at("/events", "GET")
@blueprint.query(EventsOptionsSchema)
@blueprint.headers(_LAST_SEEN_HEADER)
@blueprint.answers(200, EventsSchema)
@blueprint.also_answers(503, description="Too many listeners.")
@blueprint.described(responses=_ALSO_A_STREAM)
def events(options: dict[str, Any]) -> Response:
    """What happened, oldest first; with `Accept: text/event-stream` as it happens

    A stream (server-sent events, as the HTML standard describes them) sends each event under its
    sequence as `id`, its type as `event` and its JSON as `data`, and a comment every 15 s. It ends
    after ten minutes at most; a browser's EventSource then comes back by itself.
    """
    if request.accept_mimetypes.best_match(["application/json", STREAM]) == STREAM:
        return _stream(options)
    limit = options.get("limit", PART)
    registry, tank = current().registry, options.get("tank")
    found = registry.events(options.get("after", 0), limit=limit + 1, tank=tank)
    shown = found[:limit]
    more = next_address(after=str(shown[-1].sequence)) if len(found) > limit else None
    return as_json({"events": [_document(one) for one in shown], "next": more})


def _stream(options: dict[str, Any]) -> Response:
    parts = current()
    after = _last_seen(options)
    if after is None:
        after = parts.registry.last_sequence()
    leave = kept(Listeners, _listeners).enter()
    gone = request.environ.get("waitress.client_disconnected", lambda: False)
    pace = kept(Pace, lambda _: Pace())

    def ended() -> bool:
        return parts.closing.is_set() or bool(gone())

    text = stream(parts.registry, after, options.get("tank"), ended, pace)
    response = Response(text, mimetype=STREAM)
    response.headers["Cache-Control"] = "no-store"
    response.headers["X-Accel-Buffering"] = "no"
    response.call_on_close(leave)
    return response


def stream(
    registry: Registry, after: int, tank: str | None, ended: Callable[[], bool], pace: Pace
) -> Iterator[str]:
    """The text of a stream, in pieces.

    Args:
        after: the sequence that was seen last.
        ended: whether to end now.
    """
    began = told = time.monotonic()
    yield f"retry: {RETRY_S * 1000}\n\n"
    while not ended() and time.monotonic() - began < pace.lasts_s:
        found = registry.events(after, limit=PART, tank=tank)
        for one in found:
            after = one.sequence
            yield f"id: {one.sequence}\nevent: {one.type}\ndata: {json.dumps(_document(one))}\n\n"
        if found:
            told = time.monotonic()
            continue
        if time.monotonic() - told >= pace.heartbeat_s:
            yield ": still here\n\n"
            told = time.monotonic()
        time.sleep(pace.poll_s)


def _listeners(parts: Context) -> Listeners:
    return Listeners(parts.config.http.threads // 2)


def _last_seen(options: dict[str, Any]) -> int | None:
    text = request.headers.get(LAST_SEEN, "")
    if not text:
        after: int | None = options.get("after")
        return after
    if not (text.isascii() and text.isdigit() and len(text) < 16):
        raise invalid_option(LAST_SEEN, text, "a whole number, the id of the last event seen")
    return int(text)


def _document(one: Event) -> dict[str, Any]:
    return {
        "sequence": one.sequence,
        "id": one.id,
        "type": one.type,
        "subject": one.subject,
        "tank": one.tank,
        "time": format_moment(one.time),
        "data": dict(one.data),
    }
