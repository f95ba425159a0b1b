"""Errors of the client: ``ClientError``, and below it ``UnreachableError`` and ``ProblemError``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import requests

from service.retry_after import retry_after

LONGEST_WAIT: Final = timedelta(hours=1)
"""A service that asks for a longer pause is asked again after this. Our choice."""


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
        retry_after_s: after how many seconds another attempt makes sense; None: not given.
    """

    def __init__(
        self,
        type: str,
        status: int,
        detail: str,
        faults: tuple[Fault, ...] = (),
        retry_after_s: float | None = None,
    ) -> None:
        super().__init__(f"{detail} ({status})")
        self.type = type
        self.status = status
        self.detail = detail
        self.faults = faults
        self.retry_after_s = retry_after_s


def problem_of(response: requests.Response) -> ClientError:
    """The error of an answer that is no success."""
    wait = retry_after(response.headers.get("Retry-After"), datetime.now(UTC), most=LONGEST_WAIT)
    try:
        body = response.json()
        faults = tuple(
            Fault(one["detail"], one.get("pointer", ""), one.get("parameter", ""))
            for one in body.get("errors", ())
        )
        return ProblemError(
            body["type"],
            response.status_code,
            body["detail"],
            faults,
            None if wait is None else wait.total_seconds(),
        )
    except (requests.JSONDecodeError, KeyError, TypeError, AttributeError):
        said = response.text[:80]
        return ClientError(
            f"{response.url} answers {response.status_code} {said!r}: is it Littoral?"
        )
