"""``littoral openapi``: the API's document."""

from __future__ import annotations

import click


@click.command("openapi")
def command() -> None:
    """Print the OpenAPI document of the API."""
    from service.api.app import document_text

    click.echo(document_text(), nl=False)
