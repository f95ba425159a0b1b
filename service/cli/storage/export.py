"""``littoral export``: a tank's readings as CSV, line protocol or Parquet."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from pathlib import Path

import click

from service.cli.options.config_option import config_option
from service.cli.options.transfer_options import (
    chosen_store,
    end_option,
    progress_bar,
    start_option,
    store_option,
)
from service.errors import NotFoundError
from service.store.transfer import export


@click.command("export")
@click.argument("tank")
@click.option("--quantity", "quantities", multiple=True, help="Only this one; several are fine.")
@click.option("--sensor", "sensors", multiple=True, help="Only this one; several are fine.")
@click.option(
    "--format",
    "form",
    type=click.Choice(["csv", "line", "parquet"]),
    default="csv",
    show_default=True,
    help="line: InfluxDB line protocol. parquet: needs littoral[parquet].",
)
@click.option(
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    help="File to write; without it: standard output.",
)
@start_option
@end_option
@store_option
@config_option
def command(
    tank: str,
    quantities: tuple[str, ...],
    sensors: tuple[str, ...],
    form: str,
    output: Path | None,
    start_us: int | None,
    end_us: int | None,
    store_url: str | None,
    config_file: Path | None,
) -> None:
    """Export a tank's readings as CSV, line protocol or Parquet.

    Flagged ones too, each series by time.
    """
    if form == "parquet" and output is None:
        raise click.UsageError("parquet needs --output FILE")
    with ExitStack() as stack:
        store = stack.enter_context(chosen_store(config_file, store_url))
        keys = [
            info.key
            for info in store.series(tank)
            if (not quantities or info.key.quantity in quantities)
            and (not sensors or info.key.sensor in sensors)
        ]
        if not keys:
            raise NotFoundError(f"the store has no such readings of tank {tank!r}")
        progress = stack.enter_context(progress_bar(f"exporting {tank}"))
        data = export.chunks(store, keys, start_us, end_us, on_progress=progress)
        if form == "parquet" and output is not None:
            count = export.write_parquet(output, data)
        else:
            write = export.write_csv if form == "csv" else export.write_lines
            out = sys.stdout
            if output is not None:
                out = stack.enter_context(output.open("w", encoding="utf-8", newline=""))
            count = write(out, data)
    click.echo(f"{count} readings of {len(keys)} series", err=True)
