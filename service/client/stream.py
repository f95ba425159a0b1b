"""The event stream: reads server-sent events and connects again when the connection is lost."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from typing import Final

import requests
from sseclient import SSEClient

from service.client.errors import ClientError, ProblemError, UnreachableError
from service.client.models import Event

MEDIA_TYPE: Final = "text/event-stream"
SILENCE_S: Final = 45.0
"""Three heartbeats: after so long without data the connection is given up."""
RETRY_S: Final = 3.0
_BUSY: Final = 503

#: Opens a connection from the event seen last on; None: with what comes now.
Connect = Callable[[int | None], requests.Response]


def events_of(response: requests.Response) -> Iterator[Event]:
    """The events of one connection, until the service ends it.

    Raises:
        UnreachableError: the connection is lost.
    """
    try:
        for one in SSEClient(response.iter_content(chunk_size=None)).events():
            yield Event(int(one.id) if one.id else None, one.event, json.loads(one.data))
    except (requests.RequestException, ValueError) as error:
        raise UnreachableError("the connection is lost") from error
    finally:
        response.close()


def follow(
    connect: Connect, lost: Callable[[ClientError], None], wait: Callable[[float], None]
) -> Iterator[Event]:
    """Events over as many connections as it takes; no numbered event is missed.

    Args:
        lost: called each time the connection is lost or cannot be made again. An event
            ``listening`` follows when there is one.
        wait: sleeps for so many seconds.

    Raises:
        ClientError: there is no first connection, or the service refuses to listen for good.
    """
    seen: int | None = None
    once = False
    while True:
        pause_s = RETRY_S
        try:
            for event in events_of(connect(seen)):
                once = True
                seen = seen if event.id is None else event.id
                yield event
        except ProblemError as error:
            if not once or error.status != _BUSY:
                raise
            pause_s = error.retry_after_s or RETRY_S
            lost(error)
        except UnreachableError as error:
            if not once:
                raise
            lost(error)
        wait(pause_s)


def pause(length_s: float) -> None:
    """Wait for some seconds."""
    time.sleep(length_s)
