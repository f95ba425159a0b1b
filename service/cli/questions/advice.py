"""``littoral advice``: what to do, and marking it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import click

from service.cli.options.local_time import LocalMoment, LocalTimeParameter
from service.cli.options.parameters import SpanParameter
from service.cli.options.service_options import service_client, service_options
from service.cli.output.advice import due_words, instruction_lines
from service.cli.output.display import as_json_text, json_option
from service.cli.output.tank_times import TankTimes
from service.client import Client, Recommendation
from service.times import format_moment, format_span


@click.command("advice")
@click.argument("tank", required=False)
@click.option("--done", metavar="ID", help="Mark a recommendation as done.")
@click.option(
    "--value", metavar="VALUE", help='With --done: what it asks for, as "4.5 dKH" after a KH test.'
)
@click.option("--snooze", metavar="ID", help="Put one off, by default for a day.")
@click.option("--until", type=LocalTimeParameter(), help="With --snooze: until then.")
@click.option("--length", type=SpanParameter(), help="With --snooze: for so long, as 2d.")
@click.option("--dismiss", metavar="ID", help="Take one off the list while its cause lasts.")
@json_option
@service_options
def command(
    tank: str | None,
    done: str | None,
    value: str | None,
    snooze: str | None,
    until: LocalMoment | None,
    length: timedelta | None,
    dismiss: str | None,
    as_json: bool,
    url: str,
    token: str | None,
) -> None:
    """List recommendations, most urgent first, or mark one.

    Without TANK those of all tanks.
    """
    marks = {"done": done, "snooze": snooze, "dismiss": dismiss}
    given = {action: id for action, id in marks.items() if id is not None}
    if len(given) > 1:
        raise click.UsageError("--done, --snooze and --dismiss exclude each other")
    if (until or length) and snooze is None:
        raise click.UsageError("--until and --length belong to --snooze")
    if until and length:
        raise click.UsageError("--until and --length exclude each other")
    if value is not None and done is None:
        raise click.UsageError("--value belongs to --done")
    if given and tank is not None:
        raise click.UsageError("a mark takes an ID alone; allowed without a mark: TANK")
    with service_client(url, token) as client:
        if not given:
            found = client.recommendations(tank, state="open")
            text = as_json_text({"recommendations": found}) if as_json else _listed(client, found)
            click.echo(text)
            return
        ((action, id),) = given.items()
        data = None if value is None else _asked(client, id, value)
        one = _marked(client, action, id, until, length, data)
    click.echo(as_json_text(one) if as_json else f"{one.tank}: {one.title}: now {one.state}")


def _marked(
    client: Client,
    action: str,
    id: str,
    until: LocalMoment | None,
    length: timedelta | None,
    data: dict[str, Any] | None,
) -> Recommendation:
    body: dict[str, Any] = {} if data is None else {"data": data}
    if until is not None:
        zone = client.tank(client.recommendation(id).tank).time_zone
        body["until"] = format_moment(until.at(zone))
    if length is not None:
        body["length"] = format_span(length)
    return client.mark(id, action, **body)


def _asked(client: Client, id: str, value: str) -> dict[str, Any]:
    # The table of fields takes half a second to import; only --value needs it.
    from service.cli.log.asked import asked_data

    return asked_data(client, id, value)


def _listed(client: Client, found: list[Recommendation]) -> str:
    if not found:
        return "nothing to do"
    lines, times = [], TankTimes(client)
    for one in found:
        lines.append(
            f"{one.tank}: {one.severity}: {one.title}{due_words(one, times.zone(one.tank))}"
        )
        lines += [f"  {line}" for line in instruction_lines(one)]
        lines.append(f"  id {one.id}")
    return "\n".join(lines)
