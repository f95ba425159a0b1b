"""Buttons of a hub: what was pressed is marked in the ledger, by the same road as on the pages."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from service.advice.engine.history.done import draft_of, mark_done
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import Recommendation
from service.clock import Clock
from service.errors import LittoralError
from service.integrations.hub.entities import DONE, NOT_NOW
from service.registry.audit import Actor, ActorKind, acting_as
from service.registry.models.recommendations import State
from service.registry.registry import Registry

PUT_OFF: Final = timedelta(days=1)
"""As over HTTP where no other time is given."""
MOST_WAITING: Final = 100
"""Presses that wait; more are dropped. Our choice."""
LONGEST_ID: Final = 100

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Marking:
    """What a press needs.

    Attributes:
        nudge: has the tanks evaluated again soon.
    """

    registry: Registry
    clock: Clock
    nudge: Callable[[], None]


@dataclass(frozen=True, slots=True)
class Press:
    """A button that was pressed: tank, key of the button, id of the recommendation."""

    tank: str
    key: str
    id: str


class Presses:
    """Marks recommendations in a thread of its own, one press after the other."""

    def __init__(
        self, name: str, marking: Marking, on_refused: Callable[[Press, str], None]
    ) -> None:
        """Prepare.

        Args:
            name: of the integration, which is who did it.
            on_refused: called with a press that did nothing, and why in a sentence.
        """
        self._name = name
        self._marking = marking
        self._on_refused = on_refused
        self._waiting: queue.Queue[Press | None] = queue.Queue(MOST_WAITING)
        self._thread = threading.Thread(target=self._run, name=f"hub-{name}", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def take(self, press: Press) -> None:
        """Queue a press."""
        if press.key not in (DONE, NOT_NOW) or not 0 < len(press.id) <= LONGEST_ID:
            return
        try:
            self._waiting.put_nowait(press)
        except queue.Full:
            _log.warning("integration %s: too many presses wait; one is dropped", self._name)

    def stop(self) -> None:
        """Mark what waits, and end; no effect where it never started."""
        if self._thread.ident is not None:
            self._waiting.put(None)
            self._thread.join()

    def _run(self) -> None:
        while (press := self._waiting.get()) is not None:
            try:
                refusal = self._mark(press)
            except LittoralError as error:
                refusal = error.detail
            except Exception as error:  # noqa: BLE001 - one odd press must not end all buttons
                _log.exception("integration %s: a press failed", self._name)
                refusal = f"an unexpected error ({type(error).__name__}), which the log shows"
            if refusal:
                _log.warning(
                    "integration %s: %s of tank %.64s did nothing: %s",
                    self._name, press.key, press.tank, refusal,
                )  # fmt: skip
                self._on_refused(press, refusal)

    def _mark(self, press: Press) -> str:
        """Mark one; returns why not."""
        registry, now = self._marking.registry, self._marking.clock.now()
        one = Ledger(registry).get(press.id)
        if one.tank != press.tank:
            return f"recommendation {press.id!r} is one of another tank"
        if one.state is not State.OPEN:
            return f"it is {one.state.value} already"
        with acting_as(Actor(ActorKind.HUB, name=self._name)):
            if press.key == NOT_NOW:
                Ledger(registry).mark(one.id, State.SNOOZED, now + PUT_OFF, now=now)
            elif needs := needed_of(one):
                return needs
            else:
                mark_done(registry, one.id, now, by=self._name)
        self._marking.nudge()
        return ""


def needed_of(one: Recommendation) -> str:
    """What has to be known before it can be marked as done; "" for nothing."""
    asks = draft_of(one).asks
    if not asks:
        return ""
    return f"its log entry needs {', '.join(asks)}: mark it as done on the tank's page"
