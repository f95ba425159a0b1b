"""What ``import``, ``export``, ``copy`` and ``store`` share: the store, times, progress."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from service.app.configuration import configuration
from service.cli.options.parameters import TimeParameter
from service.store import Store, open_store

store_option = click.option(
    "--store", "store_url", metavar="URL", help="Instead of the configured store."
)


TIME = TimeParameter()


start_option = click.option("--start", "start_us", type=TIME, help="From this time on.")
end_option = click.option("--end", "end_us", type=TIME, help="Before this time.")


@contextmanager
def chosen_store(config_file: Path | None, url: str | None) -> Iterator[Store]:
    """The store of the command line or the configuration, open; closed at the end.

    Raises:
        NotFoundError: it is not there.
    """
    store = open_store(url or configuration(config_file).store.url, create=False)
    try:
        yield store
    finally:
        store.close()


@contextmanager
def progress_bar(what: str) -> Iterator[Callable[[float], None]]:
    """A progress bar on standard error, only on a terminal; called with the fraction done."""
    if not sys.stderr.isatty():
        yield lambda fraction: None
        return
    from rich.console import Console  # which takes a tenth of the start of a command
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(what, total=1.0)
        yield lambda fraction: progress.update(task, completed=fraction)
