"""The page behind the link in each mail: one button ends the mail, another starts it again.

It asks for no login: the signed address is all it takes, and it can do nothing else. Reading it
changes nothing, since mail servers read links in advance (RFC 8058, 3.1); a POST does, by the
button or by a mail program.
"""

from __future__ import annotations

from datetime import datetime

from flask import Blueprint, Response, make_response, render_template, request

from service.api.context import current
from service.api.http.access.auth import rate_limits
from service.clock import SystemClock
from service.errors import LittoralError
from service.integrations.email.unsubscribe import PATH, target_of
from service.pages.shared.page import link_refusal
from service.registry.audit import Actor, ActorKind, acting_as


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    pages.add_url_rule(f"{PATH}<token>", "unsubscribing", page)
    pages.add_url_rule(f"{PATH}<token>", "unsubscribe", unsubscribe, methods=["POST"])
    pages.add_url_rule("/mail/start/<token>", "subscribe", subscribe, methods=["POST"])


def page(token: str) -> Response:
    """Whether the recipient gets mail, and the button that changes it."""
    return _answer(token, None)


def unsubscribe(token: str) -> Response:
    """End the mail to the recipient of the address."""
    return _answer(token, True)


def subscribe(token: str) -> Response:
    """Send the recipient of the address mail again."""
    return _answer(token, False)


def _answer(token: str, stops: bool | None) -> Response:
    registry = current().registry
    try:
        target = target_of(registry, token)
        if stops is not None:
            rate_limits().count_write(f"mail {target}")
            actor = Actor(ActorKind.LINK, name=target, address=request.remote_addr or "")
            with acting_as(actor):
                _change(target, SystemClock().now() if stops else None)
        known = registry.targets().get(target)
    except LittoralError as error:
        return _unlisted(link_refusal(error))
    stopped = known is not None and known.stopped is not None
    words = render_template("pages/mail_stop.html", token=token, stopped=stopped, shared=True)
    return _unlisted(make_response(words))


def _change(target: str, stopped: datetime | None) -> None:
    registry = current().registry
    if stopped is not None:
        registry.stop_target(target, stopped)
    else:
        registry.resume_target(target)


def _unlisted(response: Response) -> Response:
    """Not for search engines, and not kept by anybody."""
    response.headers["X-Robots-Tag"] = "noindex"
    return response
