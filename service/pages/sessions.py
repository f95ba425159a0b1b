"""Sessions for people: where somebody is logged in with their token, and ending it."""

from __future__ import annotations

from flask import Blueprint, flash, redirect, render_template, url_for
from werkzeug.wrappers import Response

from service.api.context import current, now
from service.api.http.access.auth import is_active
from service.api.http.access.own_sessions import (
    caller,
    end_own_session,
    end_own_sessions,
    visible_sessions,
)
from service.errors import LittoralError
from service.pages.browser import csrf
from service.pages.local_time import LocalTime

Answer = str | Response | tuple[str, int]


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    pages.add_url_rule("/sessions", "sessions", sessions_page)
    pages.add_url_rule("/sessions/end", "end_sessions", end_others, methods=["POST"])
    pages.add_url_rule("/sessions/<id>/end", "end_session", end_one, methods=["POST"])


def sessions_page() -> str:
    """The active sessions of the visitor's token; an admin sees those of all."""
    return _page()


def end_one(id: str) -> Answer:
    """End one session; one's own leads to the form to log in."""
    try:
        csrf.check_form()
        end_own_session(id)
    except LittoralError as error:
        return _page(error.detail), error.kind.status
    if id != caller().session:  # else the form to log in says so
        flash("The session is ended.")
    return redirect(url_for("pages.sessions"), 303)


def end_others() -> Answer:
    """End all sessions of the visitor's token but this one."""
    try:
        csrf.check_form()
        ended = end_own_sessions(but=caller().session)
    except LittoralError as error:
        return _page(error.detail), error.kind.status
    flash(f"Ended: {len(ended)}." if ended else "There was no other session to end.")
    return redirect(url_for("pages.sessions"), 303)


def _page(trouble: str = "") -> str:
    registry, moment = current().registry, now()
    tanks = registry.tanks()
    names = {token.id: token.name for token in registry.tokens() if token.valid(moment)}
    active = [one for one in visible_sessions() if one.token in names and is_active(one, current())]
    own = caller()
    return render_template(
        "pages/sessions.html",
        sessions=active,
        names=names,
        own=own,
        others=[one for one in active if one.token == own.token and one.id != own.session],
        trouble=trouble,
        local_time=LocalTime(tanks[0].time_zone if tanks else "UTC", moment),
    )
