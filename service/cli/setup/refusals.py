"""What a service refuses of a tank, in the paths of the command line."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from service.client import ClientError, Fault, ProblemError


@contextmanager
def refusals_by_path() -> Iterator[None]:
    """A refusal of wrong fields names them as ``gas.end``, not as ``gas/end``.

    Raises:
        ClientError: the refusal.
    """
    try:
        yield
    except ProblemError as error:
        if not error.faults:
            raise
        raise ClientError("; ".join(_by_path(one) for one in error.faults)) from error


def _by_path(fault: Fault) -> str:
    pointer = fault.pointer.lstrip("/")
    return fault.detail.replace(pointer, pointer.replace("/", "."), 1) if pointer else fault.detail
