"""Options of the commands that ask a running service."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import click

from service.client import DEFAULT_URL, Client, ClientError

_url: Callable[[Any], Any] = click.option(
    "--url",
    envvar="LITTORAL_URL",
    default=DEFAULT_URL,
    show_default=True,
    help="Where the service answers.",
)
_token: Callable[[Any], Any] = click.option(
    "--token", envvar="LITTORAL_TOKEN", help="Access token, where the service asks for one."
)


def service_options(command: Any) -> Any:
    """Decorator: ``--url`` and ``--token``."""
    return _url(_token(command))


@contextmanager
def service_client(url: str, token: str | None) -> Iterator[Client]:
    """A client; what goes wrong becomes one line.

    Raises:
        click.ClickException: the service refuses or does not answer.
    """
    try:
        yield Client(url, token)
    except ClientError as error:
        raise click.ClickException(str(error)) from error
