"""What ``import``, ``export``, ``copy`` and ``store`` share: the store, times, progress."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.progress import Progress

from service.app.application import configuration
from service.store import Store, open_store
from service.times import to_us

store_option = click.option(
    "--store", "store_url", metavar="URL", help="Instead of the configured store."
)


class TimeParameter(click.ParamType[int]):
    """An RFC 3339 time or a date (midnight UTC), as microseconds since 1970-01-01 UTC."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The time; a usage error says what is allowed."""
        if isinstance(value, int):
            return value
        try:
            moment = datetime.fromisoformat(str(value))
        except ValueError:
            self.fail(f"{value!r}; allowed: a time such as 2026-03-01T18:30Z or a date", param, ctx)
        return to_us(moment if moment.tzinfo else moment.replace(tzinfo=UTC))


TIME = TimeParameter()


start_option = click.option("--start", "start_us", type=TIME, help="From this time on.")
end_option = click.option("--end", "end_us", type=TIME, help="Before this time.")


@contextmanager
def chosen_store(config_file: Path | None, url: str | None) -> Iterator[Store]:
    """The store of the command line or the configuration, open; closed at the end."""
    store = open_store(url or configuration(config_file).store.url)
    try:
        yield store
    finally:
        store.close()


@contextmanager
def progress_bar(what: str) -> Iterator[Callable[[float], None]]:
    """A progress bar on standard error, shown only on a terminal; told the share done."""
    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task(what, total=1.0)
        yield lambda share: progress.update(task, completed=share)
