"""The thread that marks what was pressed at a hub goes on whatever happens."""

from __future__ import annotations

from datetime import datetime
from queue import SimpleQueue

from service.clock import Clock
from service.integrations.hub.entities import DONE
from service.integrations.hub.presses import Marking, Press, Presses
from tests.integrations.conftest import Home

WITHIN_S = 60.0


class BrokenClock(Clock):
    """Stands for whatever nobody has thought of."""

    def now(self) -> datetime:
        raise RuntimeError("no time")


def test_an_unexpected_error_does_not_end_the_buttons(home: Home) -> None:
    refused: SimpleQueue[str] = SimpleQueue()
    marking = Marking(home.registry, BrokenClock(), lambda: None)
    presses = Presses("house", marking, lambda _, reason: refused.put(reason))
    presses.start()
    for _ in range(2):
        presses.take(Press("reed", DONE, "some-recommendation"))
        assert "RuntimeError" in refused.get(timeout=WITHIN_S)
    presses.stop()
