"""When the daily mail is due: at an hour of the tanks' own clock, once a day."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from datetime import UTC, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from service.registry.audit import Action, AuditedWrite
from service.registry.models.events import NewEvent
from service.registry.registry import Registry

DIGEST: Final = "mail.digest"
TEST: Final = "mail.test"
"""Types of events that are for one recipient alone."""
_NAMESPACE: Final = uuid.UUID("f3d6b3f6-6a0c-4d0a-9a70-0d1b2f1f5a7e")


def last_due(zone: str, at: time, now: datetime) -> datetime:
    """The last moment, UTC, at which it was that time of day in a zone."""
    local = now.astimezone(ZoneInfo(zone))
    moment = _moment(zone, at, local)
    return moment if moment <= now else _moment(zone, at, local - timedelta(days=1))


def digest_event(target: str, zone: str, due: datetime) -> NewEvent:
    """The event that makes one day's mail about the tanks of one zone to a recipient.

    Its id is the same whoever makes it and however often: so each day's mail is made once.
    """
    id = uuid.uuid5(_NAMESPACE, f"{target} {zone} {due.astimezone(ZoneInfo(zone)):%Y-%m-%d}")
    subject = f"digest/{target}/{zone}"
    return NewEvent(DIGEST, subject, "", due, {"zone": zone}, target=target, id=str(id))


def digests_due(
    target: str, at: time | None, zones: Iterable[str], now: datetime
) -> list[NewEvent]:
    """The newest mail of each zone that is due; what was missed before that is not sent."""
    if at is None:
        return []
    return [digest_event(target, zone, last_due(zone, at, now)) for zone in zones]


def request_test(registry: Registry, target: str, now: datetime) -> None:
    """Send a recipient a test mail soon."""
    event = NewEvent(TEST, f"test/{target}", "", now, {}, target=target)
    with registry.session(writes=AuditedWrite(Action.MAIL_TESTED, f"mail/{target}")) as session:
        registry.add_events([event], session)


def _moment(zone: str, at: time, local: datetime) -> datetime:
    return datetime.combine(local.date(), at, ZoneInfo(zone)).astimezone(UTC)
