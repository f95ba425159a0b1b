"""``littoral watch``: tanks kept at the present by the service's event stream."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Collection
from typing import Final

import click

from service.cli.service_options import asking, service_options
from service.cli.status.tank_status import Status, status_of
from service.cli.watch_output import Shown, shown_on
from service.client import Client, ClientError, Event, UnreachableError

TICK_S: Final = 60.0
"""Without news all are looked at so often: what is not heard of any more grows stale."""


@click.command("watch")
@click.argument("tanks", nargs=-1)
@click.option(
    "--every", type=click.FloatRange(0.1, 3600), default=2.0, show_default=True,
    help="Look at most once in so many seconds, however much is told.",
)  # fmt: skip
@click.option("--count", type=click.IntRange(1), help="End after so many looks; default: never.")
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
    with asking(url, token) as client:
        wanted = tanks or tuple(tank.id for tank in client.tanks())
        if not wanted:
            raise click.ClickException("there is no tank yet; nothing to watch")
        with shown_on(as_json, url) as shown:
            _Watching(client, wanted, shown, every).go(_listen(url, token, wanted), count)


class _RefusedError(ClientError):
    """The service does not listen to us for good."""


class _Watching:
    """Looks at tanks when the stream says that something is new."""

    def __init__(
        self, client: Client, wanted: Collection[str], shown: Shown, every_s: float
    ) -> None:
        self._client = client
        self._wanted = wanted
        self._shown = shown
        self._every_s = every_s
        self._found: dict[str, Status] = {}
        self._stale = set(wanted)
        self._looked_s = -every_s
        self._listening = False

    def go(self, heard: queue.Queue[Event | ClientError], count: int | None) -> None:
        """Until so many looks were taken; None: for ever.

        Raises:
            ClientError: there is nobody to listen to, or a tank is not there.
        """
        looks = 0
        while count is None or looks < count:
            try:
                self._take(heard.get(timeout=self._rest_s()))
            except queue.Empty:
                looks += self._look()

    def _rest_s(self) -> float:
        """How long to listen before the next look."""
        due_s = self._looked_s + (self._every_s if self._stale else TICK_S)
        return max(0.0, due_s - time.monotonic()) if self._listening else TICK_S

    def _take(self, told: Event | ClientError) -> None:
        if isinstance(told, ClientError):
            if isinstance(told, _RefusedError):
                raise told
            self._shown.lost(told)
            return
        if told.type == "listening":
            self._shown.listening()
            self._stale = set(self._wanted)
            self._listening = True
        elif told.type == "trouble":
            self._shown.trouble(told.data["detail"])
        elif told.data.get("tank") in self._wanted:
            self._stale.add(told.data["tank"])
            if told.type != "reading":
                self._shown.happened(told)

    def _look(self) -> bool:
        """Ask for what is stale; whether there was an answer."""
        self._looked_s = time.monotonic()
        try:
            fresh = {tank: status_of(self._client, tank) for tank in self._stale or self._wanted}
        except UnreachableError as error:
            self._shown.lost(error)
            return False
        self._stale.clear()
        self._found.update(fresh)
        self._shown.statuses(sorted(self._found.values(), key=lambda one: one.urgency))
        return True


def _listen(
    url: str, token: str | None, wanted: Collection[str]
) -> queue.Queue[Event | ClientError]:
    """What the stream tells, and when it is lost, from a thread of its own."""
    heard: queue.Queue[Event | ClientError] = queue.Queue()
    only = next(iter(wanted)) if len(wanted) == 1 else None

    def listen() -> None:
        try:
            for event in Client(url, token).events(only, readings=True, lost=heard.put):
                heard.put(event)
        except ClientError as error:
            heard.put(_RefusedError(str(error)))

    threading.Thread(target=listen, name="stream", daemon=True).start()
    return heard
