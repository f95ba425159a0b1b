"""Ticks of a sheet as signed text: a link takes reports of what its sheet asked, and no more.

A tick comes back when it is reported, which may be days later: a phone without a connection keeps
it. By then the plan may have moved on. So the sheet gives each tick out signed, bound to its link,
and nothing has to be worked out again.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Final

from itsdangerous import BadSignature, URLSafeSerializer

from service.advice.handover.ticks import AskedNumber, Tick
from service.api.context import current
from service.errors import InvalidInputError
from service.registry.models.access import ShareLink

_PURPOSE: Final = "tick of a sharing link"
MOST_CHARACTERS: Final = 4000
"""Of a signed tick; a title and a few numbers are far less."""

_ALLOWED: Final = "one that this link's sheet shows; load the sheet anew and tick it there"


def signed(tick: Tick, link: ShareLink) -> str:
    """A tick as text that only this registry's key can have written, for one link."""
    number = None if tick.number is None else asdict(tick.number)
    fields = [tick.task, tick.title, tick.kind, dict(tick.data), number]
    return str(_serializer().dumps([link.id, *fields, tick.recommendation, tick.entry]))


def tick_of(text: str, link: ShareLink) -> Tick:
    """The tick of a signed text.

    Raises:
        InvalidInputError: it was not signed, or by a key that was replaced, or for another link.
    """
    try:
        found: Any = _serializer().loads(text)
    except BadSignature:
        found = None
    if found is None or found[0] != link.id:
        raise InvalidInputError.of_field("task", text[:20], _ALLOWED)
    _, task, title, kind, data, number, recommendation, entry = found
    asked = None if number is None else AskedNumber(**number)
    return Tick(task, title, kind, data, asked, recommendation, entry)


def _serializer() -> URLSafeSerializer:
    return URLSafeSerializer(current().registry.signing_key(), salt=_PURPOSE)
