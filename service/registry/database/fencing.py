"""Fences: a writing transaction that is refused once the right to make it has passed to others."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass

from service.errors import LittoralError
from service.problems import PROBLEMS


class LeaseLostError(LittoralError):
    """Another scheduler looks after it now: what was to be written is not.

    Attributes:
        leases: names of those that are lost.
    """

    kind = PROBLEMS["conflict"]

    def __init__(self, leases: Collection[str]) -> None:
        """Name the leases."""
        self.leases = frozenset(leases)
        names = ", ".join(sorted(self.leases))
        super().__init__(f"another scheduler has taken over {names}; nothing is written")


@dataclass(frozen=True, slots=True)
class Fence:
    """The leases that the writes of a block need, as they were when its work began.

    Attributes:
        holder: id of the scheduler that holds them.
        tokens: by the lease's name; whoever takes a lease gives it a higher one.
        patience_s: a server ends a transaction that is left standing open for so long, since it
            would else keep everybody else from taking over.
    """

    holder: str
    tokens: Mapping[str, int]
    patience_s: float


_FENCE: ContextVar[Fence | None] = ContextVar("littoral_fence", default=None)


@contextmanager
def fenced(fence: Fence | None) -> Iterator[None]:
    """Each writing transaction of a block checks leases first; None: nothing is checked."""
    token = _FENCE.set(fence)
    try:
        yield
    finally:
        _FENCE.reset(token)


def present_fence() -> Fence | None:
    """The leases that a write needs at present."""
    return _FENCE.get()
