"""Answers as JSON, for scripts."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, is_dataclass
from datetime import date, datetime
from typing import Any

import click

from service.times import format_moment

json_option: Callable[[Any], Any] = click.option(
    "--json", "as_json", is_flag=True, help="Print JSON, for scripts."
)


def as_json_text(answer: Any) -> str:
    """An answer of the client, or an object of them, as JSON."""
    return json.dumps(answer, default=_plain, ensure_ascii=False, indent=2)


def as_json_line(answer: Any) -> str:
    """The same on one line, for streams of answers."""
    return json.dumps(answer, default=_plain, ensure_ascii=False)


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return format_moment(value)
    if isinstance(value, date):
        return value.isoformat()
    if is_dataclass(value) and not isinstance(value, type):
        return asdict(value)
    raise TypeError(f"{type(value).__name__} cannot be written as JSON")
