"""``/v1/tanks/{tank}/readings`` and ``/sensors``: what the sensors measured."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
from flask import Response
from flask.views import MethodView

from service.api.context import current
from service.api.http.blueprint import Blueprint
from service.api.http.limits.read_budget import budgeted_store
from service.api.http.pagination import MOST, USUAL, next_address, span_of
from service.api.http.path_parameters import TANK
from service.api.http.problems.faults import invalid_option
from service.api.http.responses import as_json
from service.api.resources.readings.schemas import (
    READINGS,
    ReadingsOptionsSchema,
    ReadingsSchema,
    SpanReadingsSchema,
)
from service.api.resources.readings.series import Column, Load, Page, page_of
from service.quantities import QUANTITIES
from service.schemas.answers import With
from service.store import ReadableStore, SeriesKey
from service.times import format_moment, format_span, from_us, to_us

_READINGS: Final = ReadingsSchema()
_SPAN_READINGS: Final = SpanReadingsSchema()
NARROWER: Final = "a shorter time, one quantity or sensor, or a longer `every`"

blueprint = Blueprint(
    "readings", __name__, url_prefix="/v1/tanks/<tank>", description="What the sensors measured."
)


@blueprint.at("/readings", parameters=TANK)
class ReadingsView(MethodView):
    """Readings of a tank."""

    @blueprint.query(ReadingsOptionsSchema)
    @blueprint.answers(200, READINGS)
    def get(self, options: dict[str, Any], tank: str) -> Response:
        """Readings of a tank, oldest first

        Each one, or summed up over spans of equal length.
        """
        _check(options)
        context = current()
        context.registry.tank(tank)
        start, end = span_of(options)
        keys = [
            info.key
            for info in context.store.series(tank)
            if options.get("quantity", info.key.quantity) == info.key.quantity
            and options.get("sensor", info.key.sensor) == info.key.sensor
        ]
        limit = options.get("limit", USUAL)
        span = to_us(start), to_us(end)
        answer = {"tank": tank, "start": start, "end": end}
        store = budgeted_store(start, NARROWER)
        every = options.get("every")
        if every is None:
            flagged = options.get("flagged", False)
            reader = _reader(store, flagged)
            page = page_of(keys, reader, *span, limit, days=store.days, widen=not flagged)
            answer |= {"readings": _columns(page, flags=page.extra), "next": _next(page, end)}
            return as_json(_READINGS.dump(answer))
        every_us = checked_step(every, start, end)
        aggregate = options.get("aggregate", "mean")
        summer = _summer(store, every_us, aggregate)
        page = page_of(keys, summer, *span, limit, step_us=every_us)
        spans = _columns(page, count=page.extra, unit=_units(page, aggregate))
        answer |= {"every": every, "aggregate": aggregate}
        answer |= {"readings": spans, "next": _next(page, end)}
        return as_json(_SPAN_READINGS.dump(answer))


def _columns(page: Page, **members: Sequence[object]) -> With:
    quantity = [key.quantity for key in page.keys]
    return With(page, quantity=quantity, sensor=[key.sensor for key in page.keys], **members)


def _units(page: Page, aggregate: str) -> list[str]:
    if aggregate == "count":
        return ["1"] * len(page.keys)
    return [QUANTITIES[key.quantity].ucum for key in page.keys]


def _next(page: Page, end: datetime) -> str | None:
    if page.next_us is None or page.next_us >= to_us(end):
        return None
    return next_address(start=format_moment(from_us(page.next_us)), end=format_moment(end))


def checked_step(every: timedelta, start: datetime, end: datetime) -> int:
    """Length of the spans in microseconds.

    Raises:
        InvalidInputError: there would be more spans than one answer may have.
    """
    every_us = every // timedelta(microseconds=1)
    if (to_us(end) - to_us(start)) // every_us > MOST:
        allowed = f"spans so long that there are at most {MOST} of them"
        raise invalid_option("every", format_span(every), allowed)
    return every_us


def _check(options: dict[str, Any]) -> None:
    if "every" in options:
        if options.get("flagged"):
            raise invalid_option("flagged", True, "false beside every: only usable ones count")
    elif "aggregate" in options:
        raise invalid_option("aggregate", options["aggregate"], "only beside every")


def _reader(store: ReadableStore, flagged: bool) -> Load:
    def load(key: SeriesKey, low_us: int, high_us: int) -> Column:
        samples = store.read(key, low_us, high_us, flagged=flagged)
        return Column(key, samples.time_us, samples.value, samples.flags.astype(np.int64))

    return load


def _summer(store: ReadableStore, every_us: int, aggregate: str) -> Load:
    def load(key: SeriesKey, low_us: int, high_us: int) -> Column:
        buckets = store.aggregate(key, low_us, high_us, every_us)
        value = np.asarray(getattr(buckets, aggregate), np.float64)
        return Column(key, buckets.start_us, value, buckets.count)

    return load
