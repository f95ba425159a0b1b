"""Who gets mail, whether it arrives, and what a person may do about it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from flask import Blueprint, flash, redirect, render_template, url_for
from werkzeug.wrappers import Response

from service.api.context import current
from service.clock import SystemClock
from service.config import EmailOptions, RecipientOptions
from service.config.email import delivery_target
from service.errors import LittoralError, NotFoundError, shown
from service.integrations.email.schedule import request_test
from service.pages.browser import csrf
from service.pages.local_time import LocalTime
from service.registry.models.events import Delivery, DeliveryState

Answer = str | Response | tuple[str, int]

_LOOKED_BACK: Final = 30
"""So many deliveries are looked through for the last mail that was sent. Our choice."""


@dataclass(frozen=True, slots=True)
class Recipient:
    """Somebody who gets mail, as the page shows it.

    Attributes:
        target: the name under which deliveries are stored.
        options: of the configuration.
        stopped: since when they get none; None: they do.
        sent: when the last mail was taken by the server.
        failing: the last attempt, where it failed.
    """

    target: str
    options: RecipientOptions
    stopped: datetime | None
    sent: datetime | None
    failing: Delivery | None


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    pages.add_url_rule("/mail", "mail", mail_page)
    for deed in (stop, resume, test):
        rule = f"/mail/recipients/<path:target>/{deed.__name__}"
        pages.add_url_rule(rule, f"mail_{deed.__name__}", deed, methods=["POST"])
    pages.add_url_rule("/mail/deliveries/<int:id>/again", "mail_again", again, methods=["POST"])


def sends_mail() -> bool:
    """Whether the configuration has mail."""
    return bool(_configured())


def mail_page() -> str:
    """The recipients of the configuration."""
    return _page()


def stop(target: str) -> Answer:
    """Send somebody no more mail."""
    try:
        csrf.check_form()
        current().registry.stop_target(_known(target), SystemClock().now())
    except LittoralError as error:
        return _page(error.detail), error.kind.status
    return _done(f"{target} gets no more mail.")


def resume(target: str) -> Answer:
    """Send somebody mail again."""
    try:
        csrf.check_form()
        current().registry.resume_target(_known(target))
    except LittoralError as error:
        return _page(error.detail), error.kind.status
    return _done(f"{target} gets mail again.")


def test(target: str) -> Answer:
    """Send somebody a test mail."""
    try:
        csrf.check_form()
        request_test(current().registry, _known(target), current().clock.now())
    except LittoralError as error:
        return _page(error.detail), error.kind.status
    return _done(f"A test mail to {target} is on its way; reload this page to see how it went.")


def again(id: int) -> Answer:
    """Send a mail again that was given up."""
    try:
        csrf.check_form()
        current().registry.redeliver(id, SystemClock().now())
    except LittoralError as error:
        return _page(error.detail), error.kind.status
    return _done("The mail is sent again.")


def _done(words: str) -> Response:
    flash(words)
    return redirect(url_for("pages.mail"), 303)


def _page(trouble: str = "") -> str:
    tanks = current().registry.tanks()
    zone = tanks[0].time_zone if tanks else "UTC"
    return render_template(
        "pages/mail.html",
        recipients=_recipients(),
        names={tank.id: tank.name for tank in tanks},
        trouble=trouble,
        public_url=current().config.http.public_url,
        local_time=LocalTime(zone, SystemClock().now()),
    )


def _recipients() -> list[Recipient]:
    registry = current().registry
    targets = registry.targets()
    failing = {one.target: one for one in registry.failing_deliveries()}
    found = []
    for name, options in _configured().items():
        lately = registry.deliveries(
            target=name, states=[DeliveryState.DELIVERED], limit=_LOOKED_BACK
        )
        sent = max((one.settled for one in lately if one.settled is not None), default=None)
        stopped = targets[name].stopped if name in targets else None
        found.append(Recipient(name, options, stopped, sent, failing.get(name)))
    return found


def _configured() -> dict[str, RecipientOptions]:
    """The recipients of the configuration, by the name under which deliveries are stored."""
    return {
        delivery_target(integration.name, recipient.name): recipient
        for integration in current().config.integrations
        if isinstance(integration.options, EmailOptions)
        for recipient in integration.options.recipients
    }


def _known(target: str) -> str:
    """A target that is one of the recipients.

    Raises:
        NotFoundError: it is none.
    """
    known = _configured()
    if target not in known:
        allowed = ", ".join(known) or "none is configured"
        raise NotFoundError(f"recipient is {shown(target)}; allowed: {allowed}")
    return target
