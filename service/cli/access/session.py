"""``littoral session``: who is logged in to the pages."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from service.app.configuration import configuration
from service.cli.options.config_option import config_option
from service.cli.output.display import as_json_text, json_option
from service.config import make_clock
from service.registry.models.access import LoginSession
from service.registry.registry import open_registry
from service.times import format_moment


@click.group("session")
def command() -> None:
    """List and end sessions of the pages.

    A session begins when somebody logs in to the pages with a token.
    """


@command.command("list")
@json_option
@config_option
def list_(as_json: bool, config_file: Path | None) -> None:
    """List the sessions of the last three months, newest first."""
    config = configuration(config_file)
    now = make_clock(config).now()
    with closing(open_registry(config.registry.url, create=False)) as registry:
        names = {token.id: token.name for token in registry.tokens()}
        sessions = registry.login_sessions()
    if as_json:
        click.echo(as_json_text({"sessions": [_json(one, names) for one in sessions]}))
        return
    for one in sessions:
        active = one.active(now, config.http.session_idle)
        state = "active" if active else "ended" if one.ended else "expired"
        used = f"used {one.last_used:%Y-%m-%d %H:%M}"
        click.echo(f"{one.id}  {state:7}  {used}  until {one.expires:%Y-%m-%d}  {names[one.token]}")


@command.command("end")
@click.argument("session_id", metavar="[ID]", required=False)
@click.option("--token", metavar="ID", help="All sessions of this token.")
@click.option("--all", "every", is_flag=True, help="All sessions there are.")
@json_option
@config_option
def end(
    session_id: str | None, token: str | None, every: bool, as_json: bool, config_file: Path | None
) -> None:
    """End the session of an ID at once, or several."""
    if (session_id is not None) + (token is not None) + every != 1:
        raise click.UsageError("one is needed: ID of a session, --token ID or --all")
    config = configuration(config_file)
    now = make_clock(config).now()
    with closing(open_registry(config.registry.url, create=False)) as registry:
        names = {known.id: known.name for known in registry.tokens()}
        if token is not None:
            registry.token(token)
        ended = (
            registry.end_sessions(now, token=token)
            if session_id is None
            else [registry.end_session(session_id, now)]
        )
    if as_json:
        click.echo(as_json_text({"sessions": [_json(one, names) for one in ended]}))
    else:
        click.echo(f"Ended: {len(ended)}.")


def _json(one: LoginSession, names: Mapping[str, str]) -> Mapping[str, Any]:
    return {
        "id": one.id,
        "token": one.token,
        "name": names[one.token],
        "created": _text(one.created),
        "last_used": _text(one.last_used),
        "expires": _text(one.expires),
        "ended": _text(one.ended),
    }


def _text(moment: datetime | None) -> str | None:
    return None if moment is None else format_moment(moment)
