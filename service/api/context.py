"""What the views of API and pages read: store, registry, clock, configuration."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime
from typing import Final, Protocol, TypeVar, cast

from flask import Flask, current_app

from service.clock import Clock
from service.config import Config
from service.derive.caching.drift_cache import MorningDrifts
from service.integrations.metrics.exposition import Metrics
from service.pictures.album import Album
from service.registry.registry import Registry
from service.store import Store

EXTENSION: Final = "littoral"
_SINGLETONS: Final = "littoral_singletons"
_making = threading.Lock()
_T = TypeVar("_T")


class Context(Protocol):
    """The part of the application object that views may use."""

    @property
    def config(self) -> Config:
        """The whole configuration."""
        ...

    @property
    def clock(self) -> Clock:
        """Returns the present moment."""
        ...

    @property
    def store(self) -> Store:
        """Time series of readings."""
        ...

    @property
    def registry(self) -> Registry:
        """Tanks, log, absences, recommendations."""
        ...

    @property
    def metrics(self) -> Metrics:
        """What ``/metrics`` answers with."""
        ...

    @property
    def drifts(self) -> MorningDrifts:
        """Drifts of pH probes, as the scheduler found them last."""
        ...

    @property
    def pictures(self) -> Album:
        """Pictures of the log."""
        ...

    @property
    def stopping(self) -> threading.Event:
        """Set when the service ends; event streams end with it."""
        ...

    @property
    def started_s(self) -> float:
        """When the process started, by ``time.monotonic``."""
        ...

    def nudge(self) -> None:
        """Evaluate all tanks again soon, such as after a log entry."""
        ...


def install(app: Flask, context: Context) -> None:
    """Make the context known to the views of an app."""
    app.extensions[EXTENSION] = context
    app.extensions[_SINGLETONS] = {}


def current() -> Context:
    """The context of the app that serves this request."""
    return cast(Context, current_app.extensions[EXTENSION])


def now() -> datetime:
    """The present moment by the app's clock, UTC."""
    return current().clock.now()


def app_singleton(kind: type[_T], make: Callable[[Context], _T]) -> _T:
    """The one object of its kind in the app that serves this request, made at first use."""
    found = current_app.extensions[_SINGLETONS]
    with _making:
        if kind not in found:
            found[kind] = make(current())
    return cast(_T, found[kind])
