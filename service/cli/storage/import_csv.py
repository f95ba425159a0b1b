"""``littoral import``: imports readings from a CSV file of any program."""

from __future__ import annotations

import csv
import gc
import json
import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Final

import click

from ingest.process import Calibrations, ClockLimits, Processor, SensorLimits
from service.app.configuration import configuration
from service.cli.options.config_option import config_option
from service.cli.options.transfer_options import progress_bar, store_option
from service.config import make_clock
from service.registry.audit import Action, AuditedWrite
from service.registry.registry import Registry, open_registry
from service.store import Reading, Store, open_store
from service.store.columns import ReadingColumns
from service.store.transfer.csv_mapping import CsvMapping, column_of_text
from service.store.transfer.importer import ImportReport, import_csv
from service.store.transfer.row_reader import Rejected
from service.store.transfer.times import TimeReader, zone_of
from service.times import to_us

_SHOWN = 5
#: New objects until the garbage collector looks for cycles: several batches, which have none.
_COLLECTED_AFTER: Final = 200_000


@click.command("import")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--tank", help="Whose readings these are, unless a column 'tank' names it.")
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="NAME=QUANTITY[:UNIT][@SENSOR]",
    help="What a column holds, e.g. 'Temp F=temperature:degF'. May be given several times.",
)
@click.option("--time", "time_column", help="The column with the time.")
@click.option(
    "--time-format",
    default="auto",
    show_default=True,
    metavar="FORM",
    help="auto, iso, unix, unix-ms, unix-us, or a pattern such as '%d.%m.%Y %H:%M'.",
)
@click.option("--time-zone", "zone", help="Time zone of times that name none, e.g. Europe/Lisbon.")
@click.option("--delimiter", default=",", show_default=True, help="Between two cells.")
@click.option("--decimal-comma", is_flag=True, help="Numbers are written 24,5.")
@click.option(
    "--rejects",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write what is no reading to this CSV file.",
)
@click.option("--dry-run", is_flag=True, help="Read and judge only; store nothing.")
@click.option("--json", "as_json", is_flag=True, help="Report as JSON.")
@store_option
@config_option
def command(
    file: Path,
    tank: str | None,
    columns: tuple[str, ...],
    time_column: str | None,
    time_format: str,
    zone: str | None,
    delimiter: str,
    decimal_comma: bool,
    rejects: Path | None,
    dry_run: bool,
    as_json: bool,
    store_url: str | None,
    config_file: Path | None,
) -> int:
    """Import readings from a CSV file.

    Without --column: columns named like a quantity (temperature, ph, ...), or the form that
    'littoral export' writes. Impossible and doubtful values are flagged as those of a sensor;
    flags that the file has stay. An interrupted import goes on where it stopped; importing again
    changes nothing. Exit code 1: some lines were no readings.
    """
    if len(delimiter) != 1:
        delimiter = {"tab": "\t", "\\t": "\t"}.get(delimiter, "")
        if not delimiter:
            raise click.BadParameter("allowed: one character, or 'tab'", param_hint="--delimiter")
    times = TimeReader(time_format, None if zone is None else zone_of(zone))
    examples: list[Rejected] = []
    config = configuration(config_file)
    limits = ClockLimits.of_seconds(config.ingest.late_after_s, config.ingest.future_s)
    sensors = SensorLimits(config.ingest.sensors_per_tank, config.ingest.new_sensors_per_hour)
    now_us = to_us(make_clock(config).now())
    with ExitStack() as stack:
        registry = open_registry(config.registry.url, create=False)
        stack.callback(registry.close)
        if tank is not None:
            registry.tank(tank)  # refuses one that is not there
        mapping = CsvMapping(
            tank,
            tuple(map(column_of_text, columns)),
            time_column,
            decimal_comma,
            registry.tank_ids(),
        )
        store: Store | None = None
        if not dry_run:
            store = open_store(store_url or config.store.url, create=False)
            stack.callback(store.close)
        processor = Processor(Calibrations, limits, store, sensors=sensors, warm_up_s=math.inf)

        def judge(readings: ReadingColumns) -> tuple[ReadingColumns, Sequence[Reading]]:
            judged = processor.process_archived(readings, now_us)
            return judged.readings, judged.earlier

        show_progress = stack.enter_context(progress_bar(f"importing {file.name}"))
        rows = None
        if rejects is not None:
            rows = csv.writer(stack.enter_context(rejects.open("w", newline="", encoding="utf-8")))
            rows.writerow(("line", "column", "reason"))

        def note(one: Rejected) -> None:
            if len(examples) < _SHOWN:
                examples.append(one)
            if rows is not None:
                rows.writerow((one.line, one.column, one.reason))

        stack.enter_context(_rarely_collected())
        report = import_csv(
            file,
            mapping,
            times,
            judge,
            _writer(store, registry),
            refusal=processor.refusal,
            delimiter=delimiter,
            identity=repr((mapping, time_format, zone, delimiter, store_url, dry_run)),
            resumable=not dry_run,
            on_progress=lambda done, total: show_progress(done / max(total, 1)),
            on_rejected=note,
        )
    _print(report, examples, as_json, dry_run)
    return 1 if report.rejected else 0


@contextmanager
def _rarely_collected() -> Iterator[None]:
    """Meanwhile the garbage collector runs rarely: it took half of the time of an import."""
    usual = gc.get_threshold()
    gc.set_threshold(_COLLECTED_AFTER, *usual[1:])
    try:
        yield
    finally:
        gc.set_threshold(*usual)


def _writer(store: Store | None, registry: Registry) -> Callable[[ReadingColumns], None]:
    """Stores readings, and records once of which tanks; without a store nothing is."""
    recorded: set[str] = set()

    def write(readings: ReadingColumns) -> None:
        if store is None:
            return
        store.write(readings)
        for tank in sorted({key.tank for key in readings.keys} - recorded):
            recorded.add(tank)
            registry.record(AuditedWrite(Action.READINGS_IMPORTED, f"tanks/{tank}/readings"))

    return write


def _print(report: ImportReport, examples: list[Rejected], as_json: bool, dry_run: bool) -> None:
    if as_json:
        click.echo(
            json.dumps(
                {
                    "rows": report.rows,
                    "readings": report.readings,
                    "rejected": report.rejected,
                    "reasons": dict(report.reasons),
                    "flagged": dict(+report.flagged),
                    "resumed_at_line": report.resumed_at,
                }
            )
        )
        return
    if report.resumed_at:
        click.echo(f"went on after line {report.resumed_at}, where the last import stopped")
    verb = "would be stored" if dry_run else "stored"
    click.echo(f"{report.readings} readings {verb}, {report.rejected} rejected")
    for flag, count in (+report.flagged).most_common():
        click.echo(f"  {count} flagged {flag}")
    for reason, count in report.reasons.most_common():
        click.echo(f"  {count} x {reason}")
    for one in examples:
        place = f"line {one.line}" + (f", column {one.column}" if one.column else "")
        click.echo(f"  {place}: {one.reason}", err=True)
