"""What every view needs: the store, the registry, the clock and the configuration."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, TypeVar, cast

from flask import Flask, Response, current_app

from service.advice.engine.recommendation import Recommendation
from service.advice.handover.return_report import ReturnReport
from service.advice.handover.sheet import HandoverSheet
from service.clock import Clock
from service.config import Config
from service.errors import LittoralError, NotFoundError
from service.registry.events import Revision
from service.registry.models import Tank
from service.registry.registry import Registry
from service.store import Store

EXTENSION: Final = "littoral"
_KEPT: Final = "littoral_kept"
_making = threading.Lock()
_T = TypeVar("_T")


Calendar = Callable[[Tank, Sequence[Recommendation], Mapping[str, Revision], datetime, str], bytes]
"""Tank, what stands, revisions by recommendation id, now, ``events`` or ``todos`` -> iCalendar."""


def no_calendar(*_: object) -> bytes:
    """What an API answers that was put together without a calendar.

    Raises:
        NotFoundError: always.
    """
    raise NotFoundError("this service was put together without a task calendar")


def no_metrics(_: str) -> tuple[bytes, str]:
    """What an API answers that was put together without metrics.

    Raises:
        NotFoundError: always.
    """
    raise NotFoundError("this service was put together without metrics")


@dataclass(frozen=True, slots=True)
class HandoverForms:
    """Handover sheet and report on return in the forms that the API does not know by itself.

    Attributes:
        page: HTML of a sheet; True where it is shown by a sharing link.
        calendar: iCalendar of a sheet's tasks as ``events`` or ``todos``.
        report_page: HTML of a report.
        refusal: HTML that says why a sharing link shows nothing.
    """

    page: Callable[[HandoverSheet, bool], Response]
    calendar: Callable[[HandoverSheet, str], bytes]
    report_page: Callable[[ReturnReport], Response]
    refusal: Callable[[LittoralError], Response]


@dataclass(frozen=True)
class Context:
    """The parts that the API is made of.

    Attributes:
        store: time series of readings.
        registry: tanks, log, absences, recommendations.
        clock: tells the present moment; a faster one in the demo.
        config: the whole configuration.
        nudge: asks the watch to look again now, such as after a log entry.
        calendar: writes tasks as iCalendar; an outlet, which the API does not know by itself.
        metrics: text and media type of the metrics for an ``Accept``; an outlet too.
        handover: writes the handover sheet as a page and a calendar; None: JSON alone.
        closing: set when the service ends; whoever listens for events is then let go.
    """

    store: Store
    registry: Registry
    clock: Clock
    config: Config
    nudge: Callable[[], None] = lambda: None
    calendar: Calendar = no_calendar
    metrics: Callable[[str], tuple[bytes, str]] = no_metrics
    handover: HandoverForms | None = None
    closing: threading.Event = field(default_factory=threading.Event)


def install(app: Flask, context: Context) -> None:
    """Make the context known to the views of an app."""
    app.extensions[EXTENSION] = context
    app.extensions[_KEPT] = {}


def current() -> Context:
    """The context of the app that serves this request."""
    return cast(Context, current_app.extensions[EXTENSION])


def now() -> datetime:
    """The present moment by the app's clock, UTC."""
    return current().clock.now()


def kept(kind: type[_T], make: Callable[[Context], _T]) -> _T:
    """The one object of its kind that belongs to the app's context, made at first use."""
    things = current_app.extensions[_KEPT]
    with _making:
        if kind not in things:
            things[kind] = make(current())
    return cast(_T, things[kind])
