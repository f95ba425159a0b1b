"""The web application that is served: the API and the pages on the same parts."""

from __future__ import annotations

from flask import Flask

from service import pages
from service.api.app import create_app
from service.api.context import Context


def web_app(context: Context) -> Flask:
    """The application on its parts; open nothing, start nothing."""
    app = create_app(context)
    pages.install(app, context)
    return app
