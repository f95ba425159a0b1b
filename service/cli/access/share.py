"""``littoral share``: links that show one tank's handover sheet."""

from __future__ import annotations

import sys
from typing import Any

import click

from service.cli.options.local_time import LocalMoment, LocalTimeParameter
from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text
from service.cli.output.tank_times import TankTimes, words_now
from service.client import Client, SharingLink


@click.command("share")
@click.argument("tank", required=False)
@click.option(
    "--days", type=click.IntRange(1, 92), help="The sheet covers so many days from now on."
)
@click.option("--absence", metavar="ID", help="The sheet covers this absence.")
@click.option(
    "--expires", type=LocalTimeParameter(), help="When the link ends; default: with the sheet."
)
@click.option("--name", default="", help="Who it is for.")
@click.option(
    "--may-report", is_flag=True, help="They may also report what they did, logged under --name."
)
@click.option(
    "--qr/--no-qr",
    default=None,
    help="Show the link as a QR code too, for a phone's camera. Default: on a terminal.",
)
@click.option("--list", "listing", is_flag=True, help="List the links, of TANK or all.")
@click.option("--revoke", metavar="ID", help="End a link at once.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for scripts.")
@service_options
def command(
    tank: str | None,
    days: int | None,
    absence: str | None,
    expires: LocalMoment | None,
    name: str,
    may_report: bool,
    qr: bool | None,
    listing: bool,
    revoke: str | None,
    as_json: bool,
    url: str,
    token: str | None,
) -> None:
    """Make, list and revoke links to a handover sheet.

    A link shows TANK's sheet to whoever has it. The sheet covers the tank's absence that is or
    comes next, unless --days or --absence say otherwise. With --may-report it is also a list to
    tick off, and takes notes. Copy the link: it will not be shown again.
    """
    made_of: dict[str, Any] = {
        "days": days,
        "absence": absence,
        "expires": expires,
        "name": name,
        "may_report": may_report,
    }
    _check(tank, made_of, listing, revoke)
    with service_client(url, token) as client:
        if listing:
            found, times = client.sharing_links(tank), TankTimes(client)
            text = "\n".join(_line(one, times) for one in found) or "no link was ever made"
            click.echo(
                as_json_text({"shares": [_public(one) for one in found]}) if as_json else text
            )
        elif revoke is not None:
            one = client.revoke_sharing_link(revoke)
            revoked = f"Link {one.id} to the sheet of {one.tank} is revoked."
            click.echo(as_json_text(_public(one)) if as_json else revoked)
        elif tank is not None:
            _make(client, tank, made_of, as_json, qr)


def _check(tank: str | None, made_of: dict[str, Any], listing: bool, revoke: str | None) -> None:
    if listing and revoke is not None:
        raise click.UsageError("--list and --revoke exclude each other")
    if listing or revoke is not None:
        wrong = [name.replace("_", "-") for name, value in made_of.items() if value]
        if wrong:
            other = "--list" if listing else "--revoke"
            raise click.UsageError(f"--{wrong[0]} does not go with {other}")
        if revoke is not None and tank is not None:
            raise click.UsageError("--revoke takes an ID alone; allowed without it: TANK")
    elif tank is None:
        raise click.UsageError("TANK is missing; allowed without it: --list, --revoke ID")
    if made_of["days"] is not None and made_of["absence"] is not None:
        raise click.UsageError("--days and --absence exclude each other")


def _make(
    client: Client, tank: str, made_of: dict[str, Any], as_json: bool, qr: bool | None
) -> None:
    expires = made_of["expires"]
    at = None if expires is None else expires.at(client.tank(tank).time_zone)
    one = client.create_sharing_link(tank, **{**made_of, "expires": at})
    if as_json:
        click.echo(as_json_text(one))
        return
    zone = client.tank(one.tank).time_zone
    click.echo(one.url)
    if qr or (qr is None and sys.stderr.isatty()):
        from service.qr_code import qr_terminal

        click.echo(qr_terminal(str(one.url)), err=True, color=True)
    reports = f" and takes reports by {one.name}" if one.may_report else ""
    click.echo(
        f"Link {one.id} shows the handover sheet of {one.tank} from "
        f"{words_now(one.start, zone)} to {words_now(one.end, zone)}{reports}, to whoever has it, "
        f"until {words_now(one.expires, zone)}. Copy the line above: it will not be shown again. "
        f"End the link with: littoral share --revoke {one.id}",
        err=True,
    )


def _public(one: SharingLink) -> dict[str, Any]:
    """A link as it is listed: without the members that only a new one has."""
    names = ("id", "tank", "state", "start", "end", "created", "expires", "revoked", "last_used")
    return {name: getattr(one, name) for name in (*names, "name", "may_report")}


def _line(one: SharingLink, times: TankTimes) -> str:
    used = "never used"
    if one.last_used is not None:
        used = f"used {times.words(one.tank, one.last_used)}"
    until = f"until {times.words(one.tank, one.expires)}"
    what = "reports" if one.may_report else "reads"
    return f"{one.id}  {one.tank}  {one.state:7}  {what:7}  {until}  {used}  {one.name}".rstrip()
