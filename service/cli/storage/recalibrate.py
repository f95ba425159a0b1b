"""``littoral recalibrate``: recalculates stored readings after a calibration was corrected."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import click

from ingest.process import order_of_belief
from ingest.tools.recalculation import recalculate
from service.app.application import Missing, opened
from service.app.configuration import configuration
from service.cli.options.config_option import config_option
from service.cli.options.local_time import LocalMoment, LocalTimeParameter
from service.cli.output.display import as_json_text, json_option
from service.quantities import QUANTITIES
from service.registry.audit import Action, AuditedWrite
from service.registry.models.log import LogKind
from service.store import SeriesKey
from service.times import to_us

_TIME = LocalTimeParameter()


@click.command("recalibrate")
@config_option
@click.argument("tank")
@click.option(
    "--quantity", type=click.Choice(list(QUANTITIES)), default="ph", show_default=True,
    help="What the sensor measures.",
)  # fmt: skip
@click.option("--sensor", default="main", show_default=True, help="Its name.")
@click.option("--start", type=_TIME, help="From this day or time; default: 31 days ago.")
@click.option("--end", type=_TIME, help="Up to this day or time; default: now.")
@json_option
def command(
    config_file: Path | None,
    tank: str,
    quantity: str,
    sensor: str,
    start: LocalMoment | None,
    end: LocalMoment | None,
    as_json: bool,
) -> None:
    """Apply the calibrations in the log to stored readings.

    The numbers before calibration stay stored, so this can be repeated.
    """
    with opened(configuration(config_file), Missing.REFUSE) as application:
        now = application.clock.now()
        found = application.registry.tank(tank)  # refuses one that is not there
        zone = found.time_zone
        first = now - timedelta(days=31) if start is None else start.at(zone)
        last = now if end is None else end.at(zone)
        entries = application.registry.log(tank, kinds=[LogKind.CALIBRATION])
        done = recalculate(
            application.store,
            entries,
            SeriesKey(tank, quantity, sensor),
            to_us(first),
            to_us(last),
            order=order_of_belief(found.sensors, application.registry.first_sensors(tank)),
        )
        if done.changed:
            subject = f"tanks/{tank}/readings"
            application.registry.record(
                AuditedWrite(Action.READINGS_RECALIBRATED, subject, (quantity,))
            )
    counts = {"readings": done.readings, "changed": done.changed}
    if as_json:
        series = {"tank": tank, "quantity": quantity, "sensor": sensor}
        click.echo(as_json_text(series | counts))
    else:
        click.echo(f"{tank} {quantity} {sensor}: {done.readings} readings, {done.changed} changed")
