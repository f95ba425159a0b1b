"""The service that the client asks."""

from tests.api.conftest import app, client, context, made  # noqa: F401 - fixtures used here too
from tests.over_http import look, url  # noqa: F401 - fixtures used here too
