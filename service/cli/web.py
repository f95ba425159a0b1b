"""The web application that is served: the API and the pages, on the same parts, behind one gate."""

from __future__ import annotations

from flask import Flask, request

from service import pages
from service.api import access
from service.api.app import create_app
from service.api.context import Context
from service.tanks.access import Scope


def web_app(context: Context) -> Flask:
    """The application on its parts; open nothing, start nothing."""
    app = create_app(context)
    gate = pages.Gate(_admit, _token_id, access.SESSION_KEY)
    pages.install(app, context, gate)
    return app


def _admit() -> None:
    """Let a request for a page pass as one for the API would."""
    caller = access.identify(request)
    needed = access.scope_needed(request)
    if not caller.scope.covers(needed):
        raise access.ForbiddenError(f"the token's scope is {caller.scope}; needed: {needed}")
    if needed is not Scope.READ:
        access.limits_of().count_write(caller.name)


def _token_id(secret: str, address: str) -> str:
    return access.token_of_secret(secret, address).id
