"""``littoral store``: upkeep of the SQLite store: check, prune, rebuild."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click

from service.app.configuration import configuration
from service.cli.options.config_option import config_option
from service.cli.options.parameters import NumberRange
from service.cli.options.transfer_options import chosen_store, store_option
from service.cli.output.display import as_json_text, json_option
from service.registry.audit import Action, AuditedWrite
from service.registry.database.portable import is_there
from service.registry.registry import Registry, open_registry
from service.store.retention import RetentionPolicy
from service.store.sqlite.store import SqliteStore


@contextmanager
def _sqlite(config_file: Path | None, url: str | None) -> Iterator[SqliteStore]:
    with chosen_store(config_file, url) as store:
        if not isinstance(store, SqliteStore):
            raise click.UsageError(
                f"the store is {store.backend}, which its own tools maintain (docs/stores.md)"
            )
        yield store


@click.group("store")
def command() -> None:
    """Check, prune and rebuild the SQLite store."""


@command.command("check")
@store_option
@config_option
def check(store_url: str | None, config_file: Path | None) -> None:
    """Read the whole file and check that it is sound."""
    with _sqlite(config_file, store_url) as store:
        store.check()
    click.echo("the file is sound")


@command.command("rebuild")
@store_option
@config_option
def rebuild(store_url: str | None, config_file: Path | None) -> None:
    """Compute all rollups anew from the readings.

    The service may go on meanwhile.
    """
    with _sqlite(config_file, store_url) as store:
        store.rebuild_rollups()
    click.echo("all rollups were computed anew")


def _registry(config_file: Path | None, stack: ExitStack) -> Registry | None:
    """The registry that records it; None where there is none, as for a store on its own."""
    url = configuration(config_file).registry.url
    if not is_there(url):
        return None
    registry = open_registry(url, create=False)
    stack.callback(registry.close)
    return registry


_AGE = NumberRange(1, 36_500)


@command.command("prune")
@click.option("--raw", type=_AGE, metavar="DAYS", help="Keep readings so long; at least 1.")
@click.option("--minute", type=_AGE, metavar="DAYS", help="Keep rollups per minute so long.")
@click.option("--hour", type=_AGE, metavar="DAYS", help="Keep rollups per hour so long.")
@click.option("--day", type=_AGE, metavar="DAYS", help="Keep rollups per day so long.")
@json_option
@store_option
@config_option
def prune(
    raw: float | None,
    minute: float | None,
    hour: float | None,
    day: float | None,
    as_json: bool,
    store_url: str | None,
    config_file: Path | None,
) -> None:
    """Delete readings and rollups by their age.

    Those older than so many days; without an age they are kept. What is deleted does not come
    back, and older readings that arrive later are left out. A coarser rollup is never kept shorter
    than a finer one.
    """
    ages = {"raw": raw, "minute": minute, "hour": hour, "day": day}
    policy = RetentionPolicy(
        **{name: None if age is None else timedelta(days=age) for name, age in ages.items()}
    )
    with ExitStack() as stack:
        registry = _registry(config_file, stack)
        store = stack.enter_context(_sqlite(config_file, store_url))
        pruned = store.prune(policy, datetime.now(UTC))
        if registry is not None and any(asdict(pruned).values()):
            members = tuple(name for name, count in asdict(pruned).items() if count)
            registry.record(AuditedWrite(Action.READINGS_PRUNED, "readings", members))
    if as_json:
        click.echo(as_json_text(pruned))
        return
    click.echo(
        f"{pruned.raw} readings, {pruned.minute} minute, {pruned.hour} hour and "
        f"{pruned.day} day rollups deleted"
    )
