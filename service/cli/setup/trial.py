"""``littoral trial``: what is tried in a tank, until when, and the result."""

from __future__ import annotations

from datetime import timedelta

import click

from service.cli.options.local_time import LocalMoment, LocalTimeParameter
from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text, json_option
from service.cli.output.tank_times import TankTimes
from service.client import Trial
from service.registry.models.trial_state import TrialState
from service.times import format_span, parse_span


class _Until(click.ParamType[timedelta | LocalMoment]):
    """A length of time such as ``14d``, or a day."""

    name = "duration or day"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> timedelta | LocalMoment:
        """What was written; a usage error names what is allowed."""
        if isinstance(value, timedelta | LocalMoment):
            return value
        try:
            return parse_span(str(value))
        except ValueError:
            return LocalTimeParameter("a length such as 14d").convert(value, param, ctx)


@click.group("trial")
def command() -> None:
    """Try a change, and see by the tank's own days what it did.

    Advice that would undo the change waits meanwhile, unless an animal's limit is touched.
    """


@command.command("begin")
@click.argument("tank")
@click.argument("question")
@click.option(
    "--look-again",
    type=_Until(),
    default="14d",
    show_default=True,
    help="When to judge it: a day, or how long after the change.",
)
@click.option(
    "--watch",
    "watched",
    multiple=True,
    required=True,
    help="What to compare, such as co2-at-lights-on; again for more. `trial watchable` lists all.",
)
@click.option("--begun", type=LocalTimeParameter(), help="When the change was made.")
@click.option(
    "--entry",
    "entries",
    multiple=True,
    metavar="ID",
    help="Log entry of the change; default: the newest adjustment or replant of the last day.",
)
@click.option("--by", default="", help="Who begins it.")
@json_option
@service_options
def begin(
    tank: str,
    question: str,
    look_again: timedelta | LocalMoment,
    watched: tuple[str, ...],
    begun: LocalMoment | None,
    entries: tuple[str, ...],
    by: str,
    as_json: bool,
    url: str,
    token: str | None,
) -> None:
    """Begin a trial: what you want to know, or what you changed."""
    with service_client(url, token) as client:
        times = TankTimes(client)
        zone = times.zone(tank)
        made = client.begin_trial(
            tank,
            question,
            watched,
            look_again=None if isinstance(look_again, timedelta) else look_again.at(zone),
            length=format_span(look_again) if isinstance(look_again, timedelta) else None,
            begun=None if begun is None else begun.at(zone),
            entries=entries or None,
            by=by,
        )
        click.echo(as_json_text(made) if as_json else f"begun: {_line(made, times)}")
        if made.change and not as_json:
            click.echo(f"The change: {made.change}")


@command.command("list")
@click.argument("tank")
@click.option(
    "--state",
    type=click.Choice([state.value for state in TrialState]),
    help="Only those in this state.",
)
@json_option
@service_options
def list_(tank: str, state: str | None, as_json: bool, url: str, token: str | None) -> None:
    """List the trials of a tank, the last begun first."""
    with service_client(url, token) as client:
        found, times = client.trials(tank, state=state), TankTimes(client)
        if as_json:
            click.echo(as_json_text({"trials": found}))
            return
        click.echo("\n".join(_line(one, times) for one in found) or "no trial was ever begun")


@command.command("show")
@click.argument("tank")
@click.argument("trial_id", metavar="ID")
@json_option
@service_options
def show(tank: str, trial_id: str, as_json: bool, url: str, token: str | None) -> None:
    """Show a trial with its result; of a running one so far."""
    with service_client(url, token) as client:
        _print(client.trial(tank, trial_id), TankTimes(client), as_json)


@command.command("judge")
@click.argument("tank")
@click.argument("trial_id", metavar="ID")
@json_option
@service_options
def judge(tank: str, trial_id: str, as_json: bool, url: str, token: str | None) -> None:
    """Judge a trial now for good, before its date."""
    with service_client(url, token) as client:
        _print(client.judge_trial(tank, trial_id), TankTimes(client), as_json)


@command.command("end")
@click.argument("tank")
@click.argument("trial_id", metavar="ID")
@click.option("--reason", default="", help="Why it is ended.")
@json_option
@service_options
def end_(tank: str, trial_id: str, reason: str, as_json: bool, url: str, token: str | None) -> None:
    """End a trial before its date."""
    with service_client(url, token) as client:
        _print(client.end_trial(tank, trial_id, reason), TankTimes(client), as_json)


@command.command("delete")
@click.argument("tank")
@click.argument("trial_id", metavar="ID")
@service_options
def delete(tank: str, trial_id: str, url: str, token: str | None) -> None:
    """Delete a trial; the change itself and its log entry stay."""
    with service_client(url, token) as client:
        client.delete_trial(tank, trial_id)
        click.echo(f"Trial {trial_id} is deleted.")


@command.command("watchable")
@click.argument("tank")
@json_option
@service_options
def watchable(tank: str, as_json: bool, url: str, token: str | None) -> None:
    """List what can be watched of a tank."""
    with service_client(url, token) as client:
        found = client.watchable(tank)
    if as_json:
        click.echo(as_json_text({"watchable": found}))
        return
    width = max(len(one.name) for one in found)
    click.echo("\n".join(f"{one.name:{width}}  {one.title}" for one in found))


def _print(one: Trial, times: TankTimes, as_json: bool) -> None:
    if as_json:
        click.echo(as_json_text(one))
        return
    click.echo(_line(one, times))
    if one.change:
        click.echo(f"The change: {one.change}")
    if one.reason:
        click.echo(f"Why it ended: {one.reason}")
    if one.judgement is None:
        return
    click.echo("" if one.judgement.final else "So far:")
    for answer in one.judgement.answers:
        counted = f"{answer.days_before} days before, {answer.days_after} after"
        out = f", {answer.left_out} left out" if answer.left_out else ""
        click.echo(f"{answer.sentence} [{counted}{out}]")
    for also in one.judgement.confounders:
        click.echo(f"Also changed, {times.words(one.tank, also.time)}: {also.text}")
    for held in one.held:
        click.echo(f"Advice that waits for it: {held.title}")


def _line(one: Trial, times: TankTimes) -> str:
    begun, again = (times.words(one.tank, each) for each in (one.begun, one.look_again))
    return f"{one.id}  {one.state}  since {begun}, look again {again}  {one.question}"
