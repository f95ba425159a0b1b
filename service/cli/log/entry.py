"""What the kinds of ``littoral log`` have in common: options, sending, and an entry in one line."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import click

from service.cli.options.local_time import LocalMoment, LocalTimeParameter
from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text, json_option
from service.cli.output.tank_times import words_now
from service.client import LogEntry, ProblemError

_DataOf = Callable[..., dict[str, Any]]

_COMMON: Final = (
    click.option(
        "--time",
        type=LocalTimeParameter(),
        help="When it was done, in the tank's time; default: now.",
    ),
    click.option("--note", default="", help="A remark."),
    click.option("--by", default="", envvar="LITTORAL_BY", help="Who did it."),
    click.option(
        "--picture",
        "pictures",
        type=click.Path(exists=True, dir_okay=False, readable=True, path_type=Path),
        metavar="FILE",
        multiple=True,
        help="A photograph of it: JPEG, PNG, WebP or HEIC; may be given several times.",
    ),
    json_option,
)


def entry_command(
    group: click.Group, kind: str, text: str, *options: Callable[[Any], Any]
) -> Callable[[_DataOf], _DataOf]:
    """Decorator: a command of a group that notes an entry of a kind.

    What it decorates turns the command's own ``options`` into the entry's data.
    """

    def decorate(data_of: _DataOf) -> _DataOf:
        def note_down(
            tank: str,
            time: LocalMoment | None,
            note: str,
            by: str,
            pictures: tuple[Path, ...],
            as_json: bool,
            url: str,
            token: str | None,
            **own: Any,
        ) -> None:
            data = data_of(**own)
            with service_client(url, token) as client:
                zone = client.tank(tank).time_zone
                at = None if time is None else time.at(zone)
                with _named(pictures):
                    logged = client.add_log(
                        tank, kind, data, time=at, note=note, by=by, pictures=pictures
                    )
            click.echo(as_json_text(logged) if as_json else f"logged: {line_of(logged, zone)}")

        made: Any = service_options(note_down)
        for option in reversed((*options, *_COMMON)):
            made = option(made)
        group.command(kind, help=text)(click.argument("tank")(made))
        return data_of

    return decorate


@contextmanager
def _named(pictures: Sequence[Path]) -> Iterator[None]:
    """What is wrong with a picture is said of its file, not of its number."""
    try:
        yield
    except ProblemError as error:
        detail = error.detail
        for number, file in enumerate(pictures):
            name = str(file).replace("\\", r"\\")
            detail = re.sub(rf"/picture/{number}(?!\d)", name, detail)
        if detail == error.detail:
            raise
        raise ProblemError(error.type, error.status, detail, error.faults) from error


def line_of(entry: LogEntry, zone: str) -> str:
    """An entry on one line, its time in a zone."""
    facts = ", ".join(f"{name} {_fact(value)}" for name, value in entry.data.items())
    taken = _pictures(len(entry.pictures))
    parts = (words_now(entry.time, zone), entry.tank, entry.kind, facts, entry.note, taken)
    by = f" ({entry.by})" if entry.by else ""
    return "  ".join(part for part in parts if part) + by


def _pictures(count: int) -> str:
    return "" if not count else f"[{count} picture{'s' if count > 1 else ''}]"


def _fact(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(_point(one) for one in value)
    if not isinstance(value, dict) or "value" not in value:
        return str(value)
    shown = value.get("display", value)
    return f"{shown['value']:.4g} {shown['unit']}"


def _point(point: Any) -> str:
    """A point of a calibration."""
    if not isinstance(point, dict):
        return str(point)
    return " ".join(f"{name} {value}" for name, value in point.items())
