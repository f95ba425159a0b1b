"""The parts that the running commands are made of: configuration, clock, store, registry."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from service.clock import Clock
from service.config import Config, load_config, make_clock
from service.registry.registry import Registry, open_registry
from service.store import Store, open_store

config_option = click.option(
    "--config",
    "config_file",
    type=click.Path(dir_okay=False, path_type=Path),
    envvar="LITTORAL_CONFIG",
    help="TOML file; every key can be overridden by LITTORAL_SECTION__KEY in the environment.",
)


@dataclass(frozen=True)
class Parts:
    """What a process holds open.

    Attributes:
        config, clock, store, registry: ready for use.
    """

    config: Config
    clock: Clock
    store: Store
    registry: Registry


def configuration(path: Path | None) -> Config:
    """The checked configuration of this process.

    A fast clock without a ``started`` begins now.
    """
    config = load_config(path, os.environ)
    if config.clock.origin is not None and config.clock.started is None:
        config = replace(config, clock=replace(config.clock, started=datetime.now(UTC)))
    return config


@contextmanager
def opened(config: Config) -> Iterator[Parts]:
    """Open registry and store; both are closed at the end.

    Raises:
        LittoralError: one of them cannot be opened.
    """
    clock = make_clock(config)
    registry = open_registry(config.registry.url)
    try:
        store = open_store(config.store.url)
        try:
            yield Parts(config, clock, store, registry)
        finally:
            store.close()
    finally:
        registry.close()


@contextmanager
def registry_of(config: Config) -> Iterator[Registry]:
    """The registry alone, open; closed at the end."""
    registry = open_registry(config.registry.url)
    try:
        yield registry
    finally:
        registry.close()


@contextmanager
def stop_signals() -> Iterator[threading.Event]:
    """An event that SIGTERM and Ctrl-C set, instead of ending the process at once."""
    stop = threading.Event()
    wanted = (signal.SIGINT, signal.SIGTERM)
    before: list[Callable[..., Any] | int | None] = [
        signal.signal(number, lambda *_: stop.set()) for number in wanted
    ]
    try:
        yield stop
    finally:
        for number, handler in zip(wanted, before, strict=True):
            signal.signal(number, handler)
