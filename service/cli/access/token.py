"""``littoral token``: who may use the API."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import click

from service.app.configuration import configuration
from service.cli.options.config_option import config_option
from service.cli.options.parameters import SpanParameter
from service.cli.output.display import json_option
from service.config import make_clock
from service.registry.models.access import Scope, Token
from service.registry.registry import open_registry
from service.times import format_moment


@click.group("token")
def command() -> None:
    """Create, list and revoke access tokens.

    Programs and people send them as bearer tokens.
    """


@command.command("create")
@click.argument("name")
@click.option(
    "--scope",
    type=click.Choice([scope.value for scope in Scope]),
    default=Scope.READ.value,
    show_default=True,
    help="read; write: also log and change; admin: also tokens.",
)
@click.option("--expires", "length", type=SpanParameter(), help="After this long, such as 90d.")
@json_option
@config_option
def create(
    name: str, scope: str, length: timedelta | None, as_json: bool, config_file: Path | None
) -> None:
    """Make a token for NAME and print its secret.

    Copy it: it will not be shown again.
    """
    config = configuration(config_file)
    now = make_clock(config).now()
    expires = None if length is None else now + length
    with closing(open_registry(config.registry.url, create=False)) as registry:
        token, secret = registry.create_token(name, Scope(scope), now, expires=expires)
    if as_json:
        click.echo(json.dumps({**_json(token), "secret": secret}, indent=2))
        return
    click.echo(secret)
    until = "until it is revoked" if expires is None else f"until {expires:%Y-%m-%d %H:%M} UTC"
    click.echo(
        f"Token {token.id} for {name}, scope {scope}, {until}. The line above is its secret and "
        "will not be shown again. Send it as: Authorization: Bearer SECRET",
        err=True,
    )


@command.command("list")
@json_option
@config_option
def list_(as_json: bool, config_file: Path | None) -> None:
    """List all tokens that there ever were, without their secrets."""
    config = configuration(config_file)
    now = make_clock(config).now()
    with closing(open_registry(config.registry.url, create=False)) as registry:
        tokens = registry.tokens()
    if as_json:
        click.echo(json.dumps({"tokens": [_json(token) for token in tokens]}, indent=2))
        return
    for token in tokens:
        state = "valid" if token.valid(now) else "revoked" if token.revoked else "expired"
        used = "never used" if token.last_used is None else f"used {token.last_used:%Y-%m-%d}"
        click.echo(f"{token.id}  {token.scope:5}  {state:7}  {used}  {token.name}")


@command.command("revoke")
@click.argument("token_id", metavar="ID")
@json_option
@config_option
def revoke(token_id: str, as_json: bool, config_file: Path | None) -> None:
    """End the token of an ID at once."""
    config = configuration(config_file)
    with closing(open_registry(config.registry.url, create=False)) as registry:
        token = registry.revoke_token(token_id, make_clock(config).now())
    revoked = f"Token {token.id} for {token.name} is revoked."
    click.echo(json.dumps(_json(token), indent=2) if as_json else revoked)


def _json(token: Token) -> Mapping[str, Any]:
    times = ("created", "expires", "revoked", "last_used")
    shown = {name: getattr(token, name) for name in times}
    return {
        "id": token.id,
        "name": token.name,
        "scope": token.scope.value,
        **{name: None if at is None else format_moment(at) for name, at in shown.items()},
    }
