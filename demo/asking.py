"""What the questions of the demo's check may use, and the fault that they raise."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from demo.boards import Boards
from demo.scenario import Scenario
from service.client import Client
from service.clock import Clock

POLL_S = 0.2


@dataclass(frozen=True, slots=True)
class Bench:
    """What the questions may use."""

    client: Client
    scenario: Scenario
    boards: Boards
    clock: Clock
    mqtt_port: int


class Fault(Exception):  # noqa: N818 - it is an answer that is wrong, not an error of ours
    """An answer is not what it ought to be."""


Question = Callable[[Bench], Iterator[str]]


def require(true: bool, otherwise: str) -> None:
    """Raise a fault unless something is true."""
    if not true:
        raise Fault(otherwise)
