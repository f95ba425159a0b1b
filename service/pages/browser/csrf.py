"""Cross-site request forgery: each form carries a token of the session it was made in."""

from __future__ import annotations

from typing import Final

from flask import Flask
from flask_wtf.csrf import CSRFError, CSRFProtect

from service.errors import LittoralError
from service.problems import PROBLEMS

FIELD: Final = "csrf_token"
"""Name of the input; templates call the function of the same name for its value."""

_protection: Final = CSRFProtect()


class StaleFormError(LittoralError):
    """A form came without the token of the session it was sent in."""

    kind = PROBLEMS["forbidden"]


def install(app: Flask) -> None:
    """Set up the tokens of an app; they last as long as the session.

    Views check for themselves, so that a refused form is shown again with what was written in it.
    Other origins are refused by the authentication of pages already, over plain HTTP as well.
    """
    app.config["WTF_CSRF_CHECK_DEFAULT"] = False
    app.config["WTF_CSRF_FIELD_NAME"] = FIELD
    app.config["WTF_CSRF_TIME_LIMIT"] = None
    app.config["WTF_CSRF_SSL_STRICT"] = False
    _protection.init_app(app)


def check_form() -> None:
    """Refuse a form that was not made by a page of this session.

    Raises:
        StaleFormError: it has no token, or one of another session.
    """
    try:
        _protection.protect()
    except CSRFError as error:
        raise StaleFormError(
            "nothing was changed: this page was open for too long; send it again"
        ) from error
