"""Who wrote what when, for administrators."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from flask import Blueprint, render_template, request

from service.api.context import current
from service.api.http.access.auth import scope_of_visitor
from service.clock import SystemClock
from service.pages.local_time import LocalTime
from service.registry.audit import Action, Actor, ActorKind, AuditRecord
from service.registry.fields.limits import NAME_LENGTH
from service.registry.models.access import Scope

SHOWN: Final = 100
_SEQUENCES: Final = 2**53
"""More than any registry will ever count to, and what every database takes."""

WORDS: Final[Mapping[Action, str]] = {
    Action.TANK_CREATED: "added the tank",
    Action.TANK_REPLACED: "replaced the settings of the tank",
    Action.TANK_CHANGED: "changed the tank",
    Action.TANK_DELETED: "deleted the tank",
    Action.LOG_ADDED: "logged work",
    Action.LOG_DELETED: "deleted a log entry",
    Action.PICTURES_ADDED: "added pictures",
    Action.PICTURE_DELETED: "deleted a picture",
    Action.ABSENCES_REPLACED: "changed the absences",
    Action.ROUTE_ADDED: "made a route for sensors",
    Action.ROUTE_DELETED: "deleted a route for sensors",
    Action.READINGS_ADDED: "sent readings",
    Action.READINGS_IMPORTED: "imported readings",
    Action.READINGS_RECALIBRATED: "recalculated readings after a calibration",
    Action.READINGS_PRUNED: "deleted old readings",
    Action.BACKUP_RESTORED: "restored a backup",
    Action.RECOMMENDATION_DONE: "marked a recommendation as done",
    Action.RECOMMENDATION_DISMISSED: "took a recommendation off the list",
    Action.RECOMMENDATION_SNOOZED: "put a recommendation off",
    Action.RECOMMENDATION_REOPENED: "put a recommendation back on the list",
    Action.TRIAL_BEGUN: "began a trial",
    Action.TRIAL_CHANGED: "changed a trial",
    Action.TRIAL_JUDGED: "judged a trial",
    Action.TRIAL_ENDED: "ended a trial",
    Action.TRIAL_BROKEN_OFF: "broke a trial off",
    Action.TRIAL_DELETED: "deleted a trial",
    Action.SHARE_CREATED: "made a sharing link",
    Action.SHARE_REVOKED: "ended a sharing link",
    Action.DELIVERY_RESENT: "sent a message again that had failed",
    Action.MAIL_STOPPED: "stopped the mail to somebody",
    Action.MAIL_RESUMED: "started the mail to somebody again",
    Action.MAIL_TESTED: "sent a test mail",
    Action.TOKEN_CREATED: "made a token",
    Action.TOKEN_REVOKED: "revoked a token",
    Action.SESSION_STARTED: "logged in",
    Action.SESSION_ENDED: "logged out, or ended sessions",
    Action.LOGIN_REFUSED: "was refused: wrong token",
    Action.KEY_ROTATED: "replaced the signing key, which logged everybody out",
}
_ACTORS: Final[Mapping[ActorKind, str]] = {
    ActorKind.TOKEN: "{name} (token)",
    ActorKind.SESSION: "{name} (pages)",
    ActorKind.LINK: "{name} (link)",
    ActorKind.MACHINE: "Somebody on this machine",
    ActorKind.HUB: "{name} (home-automation hub)",
    ActorKind.USER: "{name} (user of this machine)",
    ActorKind.NOBODY: "Somebody without a valid token",
}


def register(pages: Blueprint) -> None:
    """Add the view to the blueprint."""
    pages.add_url_rule("/audit", "audit", audit_page)


def sees_audit() -> bool:
    """Whether whoever makes this request may see the page."""
    scope = scope_of_visitor()
    return scope is not None and scope.covers(Scope.ADMIN)


def audit_page() -> str:
    """The newest records; older ones a page at a time."""
    actor, subject = _asked("actor"), _asked("subject")
    before = request.args.get("before", type=int)
    if before is not None and not 0 < before < _SEQUENCES:
        before = None
    found = current().registry.audit(
        actor=actor or None,
        subject=subject.strip("/") or None,
        before=before,
        limit=SHOWN + 1,
    )
    tanks = current().registry.tanks()
    return render_template(
        "pages/audit.html",
        records=found[:SHOWN],
        next_before=found[SHOWN - 1].sequence if len(found) > SHOWN else None,
        actor=actor,
        subject=subject,
        actor_words=actor_words,
        deed_words=deed_words,
        keep_days=current().config.registry.keep_audit_days,
        local_time=LocalTime(tanks[0].time_zone if tanks else "UTC", SystemClock().now()),
    )


def _asked(name: str) -> str:
    given = request.args.get(name, "")[:NAME_LENGTH]
    return "".join(one for one in given if one.isprintable()).strip()


def actor_words(actor: Actor) -> str:
    """Who it was, for people."""
    return _ACTORS[actor.kind].format(name=actor.name)


def deed_words(record: AuditRecord) -> str:
    """What was done, for people."""
    members = f": {', '.join(record.members)}" if record.members else ""
    return WORDS[record.action] + members
