"""The command line of the demo: ``littoral demo`` and ``python -m demo``."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from demo import options as default
from demo.options import DemoOptions
from service.mqtt.embedded_broker import HOST, KINDS

_PORT = click.IntRange(1, 65_535)
_WITH_CHECK = "; with --check: any that is free"


@click.command("demo", context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--http-port", type=_PORT, show_default=f"{default.HTTP_PORT}{_WITH_CHECK}")
@click.option("--mqtt-port", type=_PORT, show_default=f"{default.MQTT_PORT}{_WITH_CHECK}")
@click.option(
    "--speed",
    type=click.FloatRange(1, 3600),
    default=default.SPEED,
    show_default=True,
    help="Seconds of the demo per second.",
)
@click.option(
    "--days",
    type=click.IntRange(1, 366),
    default=default.DAYS,
    show_default=True,
    help="Days of history.",
)
@click.option(
    "--clock",
    type=click.DateTime(["%H:%M"]),
    default=f"{default.CLOCK:%H:%M}",
    show_default=True,
    help="Time of day, UTC, at which the demo starts.",
)
@click.option(
    "--data",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for databases and logs; kept at the end. Default: a temporary one.",
)
@click.option("--keep", is_flag=True, help="Keep the temporary folder.")
@click.option(
    "--broker",
    type=click.Choice(KINDS),
    default="auto",
    show_default=True,
    help="auto: mosquitto where it is installed, else the one that came with pip.",
)
@click.option("--check", is_flag=True, help="Ask the main questions, print the answers, end.")
@click.option("--seed", type=int, default=default.SEED, show_default=True, help="Of the noise.")
@click.pass_context
def command(
    ctx: click.Context,
    http_port: int | None,
    mqtt_port: int | None,
    speed: float,
    days: int,
    clock: datetime,
    data: Path | None,
    keep: bool,
    broker: str,
    check: bool,
    seed: int,
) -> None:
    """Run three invented tanks with simulated sensors.

    Until Ctrl-C. Everything is real but the water: an MQTT broker, the ingester, the store and
    the API on 127.0.0.1. Exit codes: 0 fine, 1 the check failed, 2 an option cannot be met.
    """
    if check:
        _refuse_with_check(ctx, "speed", "clock")
    # After the options are checked: they import the whole service.
    from demo.children import free_ports
    from demo.run import run_demo

    ports = free_ports(HOST) if check else (default.HTTP_PORT, default.MQTT_PORT)
    code = run_demo(
        DemoOptions(
            http_port=http_port or ports[0],
            mqtt_port=mqtt_port or ports[1],
            speed=speed,
            days=days,
            data=data,
            keep=keep,
            check=check,
            broker=broker,
            clock=clock.time(),
            seed=seed,
        )
    )
    ctx.exit(code)


def _refuse_with_check(ctx: click.Context, *names: str) -> None:
    """What the check expects holds at its own speed and time of day."""
    for name in names:
        if ctx.get_parameter_source(name) is click.core.ParameterSource.COMMANDLINE:
            raise click.UsageError(f"--{name} cannot go with --check, which has its own")
