"""Pagination: time ranges, limits and the address of the next page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import Any, Final, TypeVar
from urllib.parse import urlencode

from flask import request

from service.api.context import now
from service.api.http.problems.faults import invalid_option
from service.schemas.base import Schema
from service.schemas.fields import Whole
from service.schemas.times import Moment
from service.times import format_moment

_T = TypeVar("_T")

MOST: Final = 100_000
USUAL: Final = 10_000
DAY: Final = timedelta(days=1)


class SpanSchema(Schema):
    """From start (included) to end (not included)."""

    start = Moment("First moment; default: one day before the end.")
    end = Moment("First moment no longer included; default: now.")


class PageSchema(SpanSchema):
    """A span of time, at most so many items of it."""

    limit = Whole(
        f"At most so many items; `next` leads to the rest. Default {USUAL}.",
        low=1,
        high=MOST,
        text=True,
    )


def span_of(options: dict[str, Any], usual: timedelta = DAY) -> tuple[datetime, datetime]:
    """Start and end of the span asked for, by default the last ``usual`` up to now.

    Raises:
        InvalidInputError: the end is not later than the start.
    """
    end = options.get("end") or now()
    start = options.get("start") or end - usual
    if start >= end:
        name = "start" if "start" in options else "end"
        given = format_moment(options[name])
        other = format_moment(end if name == "start" else start)
        word = "before the end," if name == "start" else "after the start,"
        raise invalid_option(name, given, f"a time {word} {other}")
    return start, end


def page_by_key(
    found: Sequence[_T], limit: int, key: Callable[[_T], object], option: str = "after"
) -> tuple[Sequence[_T], str | None]:
    """A page of a list, and the address of the next one; None where it is the last.

    Args:
        found: one more than ``limit`` where there is more.
        key: of an item, by which the next page is found whatever comes and goes between.
        option: the option of the query that takes the key of the last item shown.
    """
    if len(found) <= limit:
        return found, None
    return found[:limit], next_address(**{option: str(key(found[limit - 1]))})


def next_address(**changed: str) -> str:
    """The address of this request with other query options, relative to the service."""
    options = {name: values[0] for name, values in request.args.lists()} | changed
    return f"{request.path}?{urlencode(options)}"
