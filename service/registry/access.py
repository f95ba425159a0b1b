"""Who may do what: tokens for scripts and people, links that show one handover sheet."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Scope(StrEnum):
    """What a token allows; each includes those before it."""

    READ = "read"
    WRITE = "write"
    ADMIN = "admin"

    def covers(self, needed: Scope) -> bool:
        """Whether a token of this scope may do what ``needed`` allows."""
        order = list(Scope)
        return order.index(self) >= order.index(needed)


@dataclass(frozen=True, slots=True)
class Token:
    """A bearer token as the registry knows it; its secret is known to its owner only.

    Attributes:
        id: public part, shown in lists.
        name: whose or what for; no two valid tokens have the same.
        scope: what it allows.
        created, expires, revoked, last_used: UTC; None: never. ``last_used`` is exact to the
            minute.
    """

    id: str
    name: str
    scope: Scope
    created: datetime
    expires: datetime | None = None
    revoked: datetime | None = None
    last_used: datetime | None = None

    def valid(self, now: datetime) -> bool:
        """Neither revoked nor expired."""
        return self.revoked is None and (self.expires is None or now < self.expires)


@dataclass(frozen=True, slots=True)
class ShareLink:
    """A link that shows the handover sheet of one tank to whoever has it, until it expires.

    Attributes:
        id: public part, shown in lists.
        tank: the tank whose sheet it shows.
        start, end: the span that the sheet covers, UTC.
        created, expires, revoked, last_used: UTC.
        note: who it was given to.
    """

    id: str
    tank: str
    start: datetime
    end: datetime
    created: datetime
    expires: datetime
    revoked: datetime | None = None
    last_used: datetime | None = None
    note: str = ""

    def valid(self, now: datetime) -> bool:
        """Neither revoked nor expired."""
        return self.revoked is None and now < self.expires
