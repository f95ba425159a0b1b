"""``littoral share``: links that show one tank's handover sheet."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

import click

from service.cli.options.parameters import MomentParameter
from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text
from service.client import Client, SharingLink


@click.command("share")
@click.argument("tank", required=False)
@click.option("--days", type=click.IntRange(1, 92), help="Of the sheet, from now on.")
@click.option("--absence", metavar="ID", help="The sheet covers this absence.")
@click.option("--expires", type=MomentParameter(), help="Default: the end of the sheet.")
@click.option("--name", default="", help="Who it is for.")
@click.option(
    "--report", is_flag=True, help="They may also report what they did, logged under --name."
)
@click.option("--list", "listing", is_flag=True, help="List the links, of TANK or all.")
@click.option("--revoke", metavar="ID", help="End a link at once.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@service_options
def command(
    tank: str | None,
    days: int | None,
    absence: str | None,
    expires: datetime | None,
    name: str,
    report: bool,
    listing: bool,
    revoke: str | None,
    as_json: bool,
    url: str,
    token: str | None,
) -> None:
    """Make, list and revoke links to a handover sheet.

    A link shows TANK's sheet to whoever has it. The sheet covers the tank's absence that is or
    comes next, unless --days or --absence say otherwise. With --report it is also the colleague's
    list to tick off, and takes notes. The link is printed only this once.
    """
    made_of: dict[str, Any] = {
        "days": days,
        "absence": absence,
        "expires": expires,
        "name": name,
        "may_report": report,
    }
    _check(tank, made_of, listing, revoke)
    with service_client(url, token) as client:
        if listing:
            found = client.sharing_links(tank)
            text = "\n".join(_line(one) for one in found) or "no link was ever made"
            click.echo(
                as_json_text({"shares": [_public(one) for one in found]}) if as_json else text
            )
        elif revoke is not None:
            one = client.revoke_sharing_link(revoke)
            revoked = f"Link {one.id} to the sheet of {one.tank} is revoked."
            click.echo(as_json_text(_public(one)) if as_json else revoked)
        elif tank is not None:
            _make(client, tank, made_of, as_json)


_OPTIONS: Final = {"may_report": "report"}
"""Options that are called otherwise than what they set."""


def _check(tank: str | None, made_of: dict[str, Any], listing: bool, revoke: str | None) -> None:
    if listing and revoke is not None:
        raise click.UsageError("--list and --revoke exclude each other")
    if listing or revoke is not None:
        wrong = [_OPTIONS.get(name, name) for name, value in made_of.items() if value]
        if wrong:
            other = "--list" if listing else "--revoke"
            raise click.UsageError(f"--{wrong[0]} does not go with {other}")
        if revoke is not None and tank is not None:
            raise click.UsageError("--revoke takes an ID alone; allowed without it: TANK")
    elif tank is None:
        raise click.UsageError("TANK is missing; allowed without it: --list, --revoke ID")
    if made_of["days"] is not None and made_of["absence"] is not None:
        raise click.UsageError("--days and --absence exclude each other")


def _make(client: Client, tank: str, made_of: dict[str, Any], as_json: bool) -> None:
    one = client.create_sharing_link(tank, **made_of)
    if as_json:
        click.echo(as_json_text(one))
        return
    click.echo(one.url)
    reports = f" and takes reports by {one.name}" if one.may_report else ""
    click.echo(
        f"Link {one.id} shows the handover sheet of {one.tank} from {one.start:%Y-%m-%d %H:%M} to "
        f"{one.end:%Y-%m-%d %H:%M} UTC{reports}, to whoever has it, until "
        f"{one.expires:%Y-%m-%d %H:%M} UTC. The line above will not be shown again. "
        f"End it with: littoral share --revoke {one.id}",
        err=True,
    )


def _public(one: SharingLink) -> dict[str, Any]:
    """A link as it is listed: without the members that only a new one has."""
    names = ("id", "tank", "state", "start", "end", "created", "expires", "revoked", "last_used")
    return {name: getattr(one, name) for name in (*names, "name", "may_report")}


def _line(one: SharingLink) -> str:
    used = "never used" if one.last_used is None else f"used {one.last_used:%Y-%m-%d}"
    until = f"until {one.expires:%Y-%m-%d %H:%M} UTC"
    what = "reports" if one.may_report else "reads"
    return f"{one.id}  {one.tank}  {one.state:7}  {what:7}  {until}  {used}  {one.name}".rstrip()
