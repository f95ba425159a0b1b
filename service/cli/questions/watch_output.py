"""Displays of ``littoral watch``: a table on a terminal, lines where it is piped."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Final, Protocol

import click
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.text import Text

from service.cli.output.display import as_json_line
from service.cli.output.tank_times import TankTimes
from service.cli.output.terminal import is_wide, plain_text
from service.cli.questions.status.tank_status import TankStatus
from service.cli.questions.status.text import event_line, line_of, table_of
from service.client import ClientError, Event
from service.urls import redacted

_EVENTS_SHOWN: Final = 5


class Display(Protocol):
    """Where states and events are shown."""

    def statuses(self, found: Sequence[TankStatus]) -> None:
        """All tanks as they are now, the worst first."""
        ...

    def happened(self, event: Event) -> None:
        """A recommendation was opened, changed or cleared."""
        ...

    def listening(self) -> None:
        """There is a connection."""
        ...

    def lost(self, error: ClientError) -> None:
        """There is none; another is tried for."""
        ...

    def trouble(self, detail: str) -> None:
        """The service reports that it cannot know everything now."""
        ...


@contextmanager
def display_on(as_json: bool, url: str, times: TankTimes) -> Iterator[Display]:
    """The display that fits the standard output."""
    url = redacted(url)
    console = Console()
    if as_json:
        yield _JsonLines(url, times)
    elif console.is_terminal:
        with Live(console=console, auto_refresh=False) as live:
            yield _Screen(live, url, times)
    else:
        yield _PlainLines(url, times)


class _PlainLines:
    """A line for each change; trouble goes to the standard error."""

    def __init__(self, url: str, times: TankTimes) -> None:
        self._url = url
        self._times = times
        self._printed: dict[str, Any] = {}
        self._disconnected = False

    def statuses(self, found: Sequence[TankStatus]) -> None:
        for one in found:
            line = plain_text(line_of(one))
            if self._printed.get(one.tank) != line:
                self._printed[one.tank] = line
                click.echo(line)

    def happened(self, event: Event) -> None:
        click.echo(plain_text(event_line(event, self._times)))

    def listening(self) -> None:
        if self._disconnected:
            click.echo(f"littoral watch: {self._url} connected again", err=True)
        self._disconnected = False

    def lost(self, error: ClientError) -> None:
        if not self._disconnected:
            click.echo(f"littoral watch: {_words(error)}; trying again", err=True)
        self._disconnected = True

    def trouble(self, detail: str) -> None:
        click.echo(f"littoral watch: the service reports: {detail}", err=True)


class _JsonLines(_PlainLines):
    """A JSON object on a line for each change."""

    def statuses(self, found: Sequence[TankStatus]) -> None:
        for one in found:
            if self._printed.get(one.tank) != one:
                self._printed[one.tank] = one
                click.echo(as_json_line({"type": "status", "tank": one.tank, "status": one}))

    def happened(self, event: Event) -> None:
        click.echo(as_json_line({"type": event.type, **event.data}))


class _Screen:
    """One table, what happened last below it, and whether it is live."""

    def __init__(self, live: Live, url: str, times: TankTimes) -> None:
        self._live = live
        self._url = url
        self._times = times
        self._found: Sequence[TankStatus] = ()
        self._happened: deque[Text] = deque(maxlen=_EVENTS_SHOWN)
        self._state = Text(f"connecting to {url}", "dim")

    def statuses(self, found: Sequence[TankStatus]) -> None:
        self._found = found
        self._draw()

    def happened(self, event: Event) -> None:
        self._happened.append(event_line(event, self._times))
        self._draw()

    def listening(self) -> None:
        self._state = Text(f"live from {self._url}; Ctrl-C ends", "dim")
        self._draw()

    def lost(self, error: ClientError) -> None:
        self._state = Text(
            f"NOT LIVE: {_words(error)}; trying again. Above is what was known.", "bold red"
        )
        self._draw()

    def trouble(self, detail: str) -> None:
        self._happened.append(Text(f"the service reports: {detail}", "bold yellow"))
        self._draw()

    def _draw(self) -> None:
        rows: list[RenderableType] = [
            table_of(self._found, wide=is_wide()),
            Text(),
            *self._happened,
            self._state,
        ]
        self._live.update(Group(*rows), refresh=True)


def _words(error: ClientError) -> str:
    return " ".join(str(error).split())
