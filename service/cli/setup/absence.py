"""``littoral absence``: when the tank keeper is away, and who looks after the tanks."""

from __future__ import annotations

from datetime import UTC, datetime

import click

from service.cli.options.local_time import LocalMoment, LocalTimeParameter
from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text, json_option
from service.cli.output.tank_times import TankTimes
from service.client import Absence, ClientError

_TIME = LocalTimeParameter()


@click.group("absence")
def command() -> None:
    """Plan, list and end absences of the tank keeper.

    Whoever looks after the tanks meanwhile gets the handover sheet of the absence.
    """


@command.command("add")
@click.option("--start", type=_TIME, required=True, help="First day away, or a time.")
@click.option("--end", type=_TIME, required=True, help="Last day away, or a time.")
@click.option("--covers", default="", help="Who looks after the tanks.")
@click.option("--tank", "tanks", multiple=True, help="One that it is about; again for more.")
@click.option("--contact", default="", help="How you can be reached meanwhile.")
@click.option("--note", default="", help="For the handover sheet.")
@json_option
@service_options
def add(
    start: LocalMoment,
    end: LocalMoment,
    covers: str,
    tanks: tuple[str, ...],
    contact: str,
    note: str,
    as_json: bool,
    url: str,
    token: str | None,
) -> None:
    """Plan an absence.

    Days and times are the tank's own; a last day counts whole. Without --tank it is about all.
    """
    with service_client(url, token) as client:
        times = TankTimes(client)
        zone = times.zone(tanks[0] if tanks else None)
        first, last = start.at(zone), end.at(zone, whole_day=True)
        if last <= first:
            raise click.UsageError(f"--end is {end}; allowed: after --start, which is {start}")
        made = client.add_absence(
            first, last, covers=covers, tanks=tanks, note=note, contact=contact
        )
        click.echo(as_json_text(made) if as_json else f"planned: {_line(made, times)}")


@command.command("list")
@json_option
@service_options
def list_(as_json: bool, url: str, token: str | None) -> None:
    """List the absences, earliest first."""
    with service_client(url, token) as client:
        found, times = client.absences(), TankTimes(client)
        if as_json:
            click.echo(as_json_text({"absences": found}))
            return
        click.echo("\n".join(_line(one, times) for one in found) or "no absence is planned")


@command.command("end")
@click.argument("absence_id", metavar="[ID]", required=False)
@json_option
@service_options
def end_(absence_id: str | None, as_json: bool, url: str, token: str | None) -> None:
    """End the absence of an ID now; without ID the one that has begun.

    One that has not begun is taken off the list.
    """
    now = datetime.now(UTC)
    with service_client(url, token) as client:
        id = absence_id or _present(client.absences(), now)
        left, times = client.end_absence(id, now), TankTimes(client)
        if as_json:
            click.echo(as_json_text({"id": id, "absence": left}))
        elif left is None:
            click.echo(f"Absence {id} is off the list.")
        else:
            click.echo(f"ended: {_line(left, times)}")


def _present(absences: list[Absence], now: datetime) -> str:
    """The id of the absence that has begun.

    Raises:
        ClientError: there is none, or several.
    """
    begun = [one.id for one in absences if one.start <= now < one.end and one.id is not None]
    if len(begun) == 1:
        return begun[0]
    known = ", ".join(one.id or "" for one in absences) or "none is planned"
    what = "none has begun" if not begun else "several have begun"
    raise ClientError(f"absence is missing and {what}; allowed: an ID of {known}")


def _line(one: Absence, times: TankTimes) -> str:
    tank = one.tanks[0] if one.tanks else None
    start, end = times.words(tank, one.start), times.words(tank, one.end)
    about = ", ".join(one.tanks) or "all tanks"
    by = f"; {one.covers} looks after them" if one.covers else ""
    note = f"; {one.note}" if one.note else ""
    return f"{one.id}  {start} to {end}  {about}{by}{note}"
