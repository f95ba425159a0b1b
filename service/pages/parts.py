"""What the pages are made of; the context of the API fits as it is."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Protocol, cast

from flask import Flask, current_app

from service.clock import Clock
from service.registry.registry import Registry
from service.store import Store

EXTENSION = "littoral_pages"


class Parts(Protocol):
    """The parts that pages read from and write to."""

    @property
    def store(self) -> Store:
        """Time series of readings."""
        ...

    @property
    def registry(self) -> Registry:
        """Tanks, log, recommendations."""
        ...

    @property
    def clock(self) -> Clock:
        """Tells the present moment."""
        ...

    @property
    def nudge(self) -> Callable[[], None]:
        """Asks the watch to look again now."""
        ...


def attach(app: Flask, parts: Parts) -> None:
    """Make the parts known to the pages of an app."""
    app.extensions[EXTENSION] = parts


def current() -> Parts:
    """The parts of the app that serves this request."""
    return cast(Parts, current_app.extensions[EXTENSION])


def now() -> datetime:
    """The present moment by the app's clock, UTC."""
    return current().clock.now()
