"""What can go wrong between client and service."""

from __future__ import annotations

from dataclasses import dataclass


class ClientError(Exception):
    """The service could not be asked, or its answer could not be understood."""


class UnreachableError(ClientError):
    """Nobody answers at the address."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One wrong field (``pointer``) or query option (``parameter``)."""

    detail: str
    pointer: str = ""
    parameter: str = ""


class ProblemError(ClientError):
    """The service refused, with an RFC 9457 problem.

    Attributes:
        type: URI reference of the kind of problem, such as ``/problems/not-found``.
        status: HTTP status.
        detail: what is wrong this time.
        faults: the wrong fields.
    """

    def __init__(self, type: str, status: int, detail: str, faults: tuple[Fault, ...] = ()) -> None:
        super().__init__(f"{detail} ({status})")
        self.type = type
        self.status = status
        self.detail = detail
        self.faults = faults
