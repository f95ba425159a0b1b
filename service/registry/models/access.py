"""Who may do what: tokens for scripts and people, sessions of the pages, links to one sheet."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

LAST_USED_STEP: Final = timedelta(minutes=1)
"""``last_used`` is written at most so often: a script that polls must not write at every call."""


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
class LoginSession:
    """A session of the pages: somebody is logged in with a token; its secret is in their browser.

    Attributes:
        id: public part, shown in lists.
        token: id of the token that it was begun with.
        created, last_used: UTC; ``last_used`` is exact to the minute.
        expires: UTC; then it ends, however much it is used.
        ended: UTC; by whom it belongs to, an admin, its token's end or a new key; None: it was not.
    """

    id: str
    token: str
    created: datetime
    last_used: datetime
    expires: datetime
    ended: datetime | None = None

    def active(self, now: datetime, idle: timedelta) -> bool:
        """Neither ended nor expired, and used within the last ``idle``."""
        return self.ended is None and now < min(self.expires, self.last_used + idle)


@dataclass(frozen=True, slots=True)
class ShareLink:
    """A link that shows the handover sheet of one tank to whoever has it, until it expires.

    It may also take reports of what was done there, and nothing else.

    Attributes:
        id: public part, shown in lists.
        tank: the tank whose sheet it shows.
        start, end: the span that the sheet covers, UTC.
        created, expires, revoked, last_used: UTC.
        name: who it is for; what is reported with it is logged under this name.
        may_report: whether it takes reports.
    """

    id: str
    tank: str
    start: datetime
    end: datetime
    created: datetime
    expires: datetime
    revoked: datetime | None = None
    last_used: datetime | None = None
    name: str = ""
    may_report: bool = False

    def valid(self, now: datetime) -> bool:
        """Neither revoked nor expired."""
        return self.revoked is None and now < self.expires
