"""``/v1/sessions``: who is logged in to the pages."""

from __future__ import annotations

from typing import Any, Final

from flask.views import MethodView

from service.api.context import current, now
from service.api.http.access.auth import is_active
from service.api.http.access.own_sessions import (
    caller,
    end_own_session,
    end_own_sessions,
    visible_sessions,
)
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import SESSION
from service.registry.models.access import LoginSession
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Schema
from service.schemas.fields import Choice, Name, Text, YesNo
from service.schemas.times import Moment

STATES: Final = ("active", "expired", "ended")

blueprint = Blueprint(
    "sessions", __name__, url_prefix="/v1/sessions", description="Who is logged in to the pages."
)


class SessionSchema(AnswerSchema):
    """A session of the pages, without its secret."""

    id = Text()
    token = Text("Id of the token that it was begun with.")
    name = Text("Name of that token.")
    state = Choice("`expired`: by age, without use, or with its token.", words=STATES)
    created = Moment("When somebody logged in.")
    last_used = Moment("To the minute.")
    expires = Moment("Then it ends in any case; earlier without use (`session_idle_hours`).")
    ended = Moment("When it was ended before that; null: it was not.", allow_none=True)
    current = YesNo("Whether this request was made in it.")


class SessionsSchema(AnswerSchema):
    """Sessions, newest first."""

    sessions = Items(SessionSchema)
    next = Text(allow_none=True)


class SessionsOptionsSchema(Schema):
    """Whose sessions."""

    token = Name("Only of the token of this id; another than your own needs the scope `admin`.")


@blueprint.at("")
class SessionsView(MethodView):
    """Sessions of the pages."""

    @blueprint.query(SessionsOptionsSchema)
    @blueprint.answers(200, SessionsSchema)
    def get(self, options: dict[str, Any]) -> dict[str, Any]:
        """Who is logged in to the pages, and who was in the last three months

        The sessions of your own token; with the scope `admin`, of all tokens.
        """
        return _listed(visible_sessions(options.get("token")))

    @blueprint.query(SessionsOptionsSchema)
    @blueprint.answers(200, SessionsSchema)
    def delete(self, options: dict[str, Any]) -> dict[str, Any]:
        """End all sessions of your own token, or of the one that is named

        The answer lists those that were ended; one that this request was made in is among them.
        """
        return _listed(end_own_sessions(options.get("token")))


@blueprint.at("/<id>", "DELETE", parameters=SESSION)
@blueprint.answers(200, SessionSchema)
def end(id: str) -> With:
    """End a session at once; it stays in the list for three months"""
    return _shown(end_own_session(id))


def _listed(found: list[LoginSession]) -> dict[str, Any]:
    return {"sessions": [_shown(one) for one in found], "next": None}


def _shown(one: LoginSession) -> With:
    token = current().registry.token(one.token)
    active = is_active(one, current()) and token.valid(now())
    state = "ended" if one.ended else "active" if active else "expired"
    return With(one, name=token.name, state=state, current=one.id == caller().session)
