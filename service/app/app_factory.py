"""The web application: API and pages in one Flask app."""

from __future__ import annotations

from flask import Flask

from service import pages
from service.api.app import create_api
from service.app.application import Application


def create_app(application: Application) -> Flask:
    """The web application of an application object; opens nothing, starts nothing.

    Raises:
        RegistryUnavailableError: the key of the session cookie cannot be read.
    """
    app = create_api(application)
    pages.install(app, application.registry)
    return app
