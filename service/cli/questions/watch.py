"""``littoral watch``: the state of tanks, updated by the service's event stream."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Collection
from typing import Final

import click

from service.cli.options.parameters import NumberRange
from service.cli.options.service_options import service_client, service_options
from service.cli.output.tank_times import TankTimes
from service.cli.questions.status.tank_status import TankStatus, status_of
from service.cli.questions.watch_output import Display, display_on
from service.client import Client, ClientError, Event, UnreachableError

IDLE_REFRESH_S: Final = 60.0
"""Without events all tanks are asked for again this often: values grow stale by themselves."""


@click.command("watch")
@click.argument("tanks", nargs=-1)
@click.option(
    "--every", type=NumberRange(0.1, 3600), default=2.0, show_default=True,
    help="Refresh at most every N seconds.",
)  # fmt: skip
@click.option(
    "--count", type=click.IntRange(1), help="End after so many refreshes; default: never."
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object on a line, for each change.")
@service_options
def command(
    tanks: tuple[str, ...],
    every: float,
    count: int | None,
    as_json: bool,
    url: str,
    token: str | None,
) -> None:
    """Show tanks and what changes, as it changes.

    TANKS, or all, until stopped. Listens to the service's event stream. On a terminal it is one
    table, the worst tank first; piped, a line for each change.
    """
    with service_client(url, token) as client:
        wanted = tanks or tuple(tank.id for tank in client.tanks())
        if not wanted:
            raise click.ClickException("there is no tank yet; nothing to show")
        with display_on(as_json, url, TankTimes(client)) as display:
            _Watcher(client, wanted, display, every).go(_listen(url, token, wanted), count)


class _RefusedError(ClientError):
    """The service refuses the stream; trying again will not help."""


class _Watcher:
    """Asks for the state of tanks when an event says that something is new."""

    def __init__(
        self, client: Client, wanted: Collection[str], display: Display, every_s: float
    ) -> None:
        self._client = client
        self._wanted = wanted
        self._display = display
        self._every_s = every_s
        self._found: dict[str, TankStatus] = {}
        self._stale = set(wanted)
        self._refreshed_s = -every_s
        self._listening = False

    def go(self, received: queue.Queue[Event | ClientError], count: int | None) -> None:
        """Until so many refreshes; None: for ever.

        Raises:
            ClientError: the stream is refused, or there is no such tank.
        """
        refreshes = 0
        while count is None or refreshes < count:
            try:
                self._take(received.get(timeout=self._wait_s()))
            except queue.Empty:
                refreshes += self._refresh()

    def _wait_s(self) -> float:
        """How long to wait for events before the next refresh."""
        due_s = self._refreshed_s + (self._every_s if self._stale else IDLE_REFRESH_S)
        return max(0.0, due_s - time.monotonic()) if self._listening else IDLE_REFRESH_S

    def _take(self, event: Event | ClientError) -> None:
        if isinstance(event, ClientError):
            if isinstance(event, _RefusedError):
                raise event
            self._display.lost(event)
            return
        if event.type == "listening":
            self._display.listening()
            self._stale = set(self._wanted)
            self._listening = True
        elif event.type == "trouble":
            self._display.trouble(event.data["detail"])
        elif event.data.get("tank") in self._wanted:
            self._stale.add(event.data["tank"])
            if event.type != "reading":
                self._display.happened(event)

    def _refresh(self) -> bool:
        """Ask for what is stale; whether there was an answer."""
        self._refreshed_s = time.monotonic()
        try:
            fresh = {tank: status_of(self._client, tank) for tank in self._stale or self._wanted}
        except UnreachableError as error:
            self._display.lost(error)
            return False
        self._stale.clear()
        self._found.update(fresh)
        self._display.statuses(sorted(self._found.values(), key=lambda one: one.urgency))
        return True


def _listen(
    url: str, token: str | None, wanted: Collection[str]
) -> queue.Queue[Event | ClientError]:
    """Events of the stream, and its losses, from a thread of its own."""
    received: queue.Queue[Event | ClientError] = queue.Queue()
    only = next(iter(wanted)) if len(wanted) == 1 else None

    def listen() -> None:
        try:
            for event in Client(url, token).events(only, readings=True, lost=received.put):
                received.put(event)
        except ClientError as error:
            received.put(_RefusedError(str(error)))

    threading.Thread(target=listen, name="stream", daemon=True).start()
    return received
