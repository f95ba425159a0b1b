"""``littoral audit``: who wrote what when."""

from __future__ import annotations

from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import click

from service.app.configuration import configuration
from service.cli.options.config_option import config_option
from service.cli.options.parameters import MomentParameter
from service.cli.output.display import as_json_text, json_option
from service.registry.audit import Action, AuditRecord
from service.registry.registry import open_registry

_ACTIONS: Final = [one.value for one in Action]


@click.command("audit")
@click.option("--actor", help="Only of this token or user, by id or name.")
@click.option("--action", type=click.Choice(_ACTIONS), help="Only this action.")
@click.option("--subject", help="Only of this and what is below it, such as tanks/riffle.")
@click.option(
    "--start",
    type=MomentParameter(),
    help="Only from this time on; without an offset: this machine's time.",
)
@click.option(
    "--limit", type=click.IntRange(1, 100_000), default=100, show_default=True,
    help="So many at most.",
)  # fmt: skip
@json_option
@config_option
def command(
    actor: str | None,
    action: str | None,
    subject: str | None,
    start: datetime | None,
    limit: int,
    as_json: bool,
    config_file: Path | None,
) -> None:
    """List who wrote what when, newest first.

    Each write through API, pages and commands, and each refused log-in. Reads the registry itself.
    """
    config = configuration(config_file)
    with closing(open_registry(config.registry.url, create=False)) as registry:
        records = registry.audit(
            actor=actor,
            action=None if action is None else Action(action),
            subject=subject,
            start=start,
            limit=limit,
        )
    if as_json:
        click.echo(as_json_text({"records": [_json(one) for one in records]}))
    else:
        click.echo("\n".join(map(_line, records)) or "no records")


def _json(one: AuditRecord) -> dict[str, Any]:
    actor = {name: getattr(one.actor, name) for name in ("kind", "id", "name", "address")}
    names = ("sequence", "time", "action", "subject", "members")
    return {**{name: getattr(one, name) for name in names}, "actor": actor}


def _line(one: AuditRecord) -> str:
    who = " ".join(filter(None, (one.actor.kind, one.actor.name, one.actor.address)))
    members = f" ({', '.join(one.members)})" if one.members else ""
    return f"{one.time:%Y-%m-%d %H:%M:%S} UTC  {who}  {one.action}  {one.subject}{members}"
