"""Who wrote what when: the actor of the present request or command, and what it does.

Every writing transaction says what it does (``Database.session``); its record is stored in that
transaction, so that there is a record if, and only if, the write happened.
"""

from __future__ import annotations

import os
import pwd
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum


class Action(StrEnum):
    """What can be done, and is recorded."""

    TANK_CREATED = "tank.created"
    TANK_REPLACED = "tank.replaced"
    TANK_CHANGED = "tank.changed"
    TANK_DELETED = "tank.deleted"
    LOG_ADDED = "log.added"
    LOG_DELETED = "log.deleted"
    PICTURES_ADDED = "pictures.added"
    PICTURE_DELETED = "picture.deleted"
    ABSENCES_REPLACED = "absences.replaced"
    ROUTE_ADDED = "route.added"
    ROUTE_DELETED = "route.deleted"
    READINGS_ADDED = "readings.added"
    READINGS_IMPORTED = "readings.imported"
    READINGS_RECALIBRATED = "readings.recalibrated"
    READINGS_PRUNED = "readings.pruned"
    BACKUP_RESTORED = "backup.restored"
    RECOMMENDATION_DONE = "recommendation.done"
    RECOMMENDATION_DISMISSED = "recommendation.dismissed"
    RECOMMENDATION_SNOOZED = "recommendation.snoozed"
    RECOMMENDATION_REOPENED = "recommendation.reopened"
    TRIAL_BEGUN = "trial.begun"
    TRIAL_CHANGED = "trial.changed"
    TRIAL_JUDGED = "trial.judged"
    TRIAL_ENDED = "trial.ended"
    TRIAL_BROKEN_OFF = "trial.broken-off"
    TRIAL_DELETED = "trial.deleted"
    SHARE_CREATED = "share.created"
    SHARE_REVOKED = "share.revoked"
    DELIVERY_RESENT = "delivery.resent"
    MAIL_STOPPED = "mail.stopped"
    MAIL_RESUMED = "mail.resumed"
    MAIL_TESTED = "mail.tested"
    TOKEN_CREATED = "token.created"
    TOKEN_REVOKED = "token.revoked"
    SESSION_STARTED = "session.started"
    SESSION_ENDED = "session.ended"
    LOGIN_REFUSED = "login.refused"
    KEY_ROTATED = "key.rotated"


class ActorKind(StrEnum):
    """How somebody was recognized."""

    TOKEN = "token"  # a program that sent a token
    SESSION = "session"  # a person who logged in at the pages
    LINK = "link"  # whoever has a sharing link, or the link that ends mail
    MACHINE = "machine"  # anybody on this machine, as long as there is no token
    HUB = "hub"  # a button of a home-automation hub, over the broker
    USER = "user"  # a user of the operating system, with the registry itself
    NOBODY = "nobody"  # not recognized


@dataclass(frozen=True, slots=True)
class Actor:
    """Who writes.

    Attributes:
        id: of the token, session or sharing link; "" for others.
        name: of the token; on the sharing link; of the integration; of the user of the operating
            system.
        address: where the request came from; "" for a command.
    """

    kind: ActorKind
    id: str = ""
    name: str = ""
    address: str = ""


@dataclass(slots=True)
class AuditedWrite:
    """What a writing transaction does; may be completed until it ends.

    Attributes:
        subject: what it is done to, as a path: ``tanks/riffle/log/4be1c1f7``.
        members: names of what was changed in it; never values.
        happened: False where nothing needed to be written: there is no record then.
        at_most_every: no record if the same actor did the same to the same in this time.
    """

    action: Action
    subject: str
    members: tuple[str, ...] = ()
    happened: bool = True
    at_most_every: timedelta | None = None


@dataclass(frozen=True, slots=True)
class AuditRecord:
    """One thing that somebody did.

    Attributes:
        sequence: rises with every record.
        time: by the machine's own clock, UTC.
    """

    sequence: int
    time: datetime
    actor: Actor
    action: Action
    subject: str
    members: tuple[str, ...]


_ACTOR: ContextVar[Actor | None] = ContextVar("littoral_actor", default=None)


def act_as(actor: Actor | None) -> None:
    """Say who makes the writes of this thread from now on; None: whoever runs the process."""
    _ACTOR.set(actor)


@contextmanager
def acting_as(actor: Actor) -> Iterator[None]:
    """The writes of a block are made by somebody."""
    token = _ACTOR.set(actor)
    try:
        yield
    finally:
        _ACTOR.reset(token)


def present_actor() -> Actor:
    """Who writes at present: of a request, its caller; else the user who runs this process."""
    return _ACTOR.get() or Actor(ActorKind.USER, name=_user())


def _user() -> str:
    uid = os.getuid()
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:  # in a container, a user without a name
        return str(uid)
