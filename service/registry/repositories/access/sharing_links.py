"""Registry of links that show one tank's handover sheet until they expire."""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import or_, select, update

from service.errors import LEFT_OUT, GoneError, NotFoundError, Refusal
from service.registry import secret_hashes
from service.registry.audit import Action, AuditedWrite
from service.registry.database.connection import Database
from service.registry.fields.limits import NAME_LENGTH
from service.registry.models.access import LAST_USED_STEP, ShareLink
from service.registry.repositories.tanks import require_tank
from service.registry.tables.access import ShareLinkRow
from service.schemas.base import Schema
from service.schemas.checks import check, refuse
from service.schemas.fields import Text
from service.schemas.times import Moment
from service.times import format_moment

PREFIX = "sheet"
LONGEST = timedelta(days=366)


class _LinkFields(Schema):
    start = Moment(required=True)
    end = Moment(required=True)
    expires = Moment(required=True)
    name = Text(longest=NAME_LENGTH)


_FIELDS = _LinkFields()


class SharingLinkRepository(Database):
    """Sharing links: for one tank and one span, always with an end."""

    def create_share(
        self,
        tank: str,
        start: datetime,
        end: datetime,
        now: datetime,
        *,
        expires: datetime,
        name: str = "",
        may_report: bool = False,
    ) -> tuple[ShareLink, str]:
        """Make a link; returns it and its secret, which cannot be read again.

        Args:
            name: who it is for.
            may_report: it also takes reports, which are logged under the name.

        Raises:
            InvalidInputError: a span that ends before it starts, an expiry that is past or more
                than a year away, or a link that takes reports and has no name.
            NotFoundError: no such tank.
        """
        _check(start, end, now, expires, name, may_report)
        fresh = secret_hashes.make(PREFIX)
        link = ShareLink(fresh.id, tank, start, end, now, expires, name=name, may_report=may_report)
        write = AuditedWrite(Action.SHARE_CREATED, f"tanks/{tank}/shares/{link.id}")
        with self.session(writes=write) as session:
            require_tank(session, tank)
            session.add(
                ShareLinkRow(
                    id=link.id,
                    tank=tank,
                    start=start,
                    end=end,
                    secret_hash=fresh.hash,
                    created=now,
                    expires=expires,
                    name=name,
                    may_report=may_report,
                )
            )
        return link, fresh.secret

    def share_of(self, secret: str, now: datetime) -> ShareLink:
        """The valid link of a secret, noting its use.

        Raises:
            NotFoundError: there is none.
            GoneError: it has expired or was revoked; only whoever has the secret learns that.
        """
        id = secret_hashes.id_of(secret, PREFIX)
        row = None
        if id is not None:
            with self.session(writes=False) as session:
                row = session.get(ShareLinkRow, id)
        if row is None or not secret_hashes.matches(secret, row.secret_hash):
            raise NotFoundError("there is no such link; allowed: the whole link as it was given")
        require_valid(row, now)
        if row.last_used is None or now - row.last_used >= LAST_USED_STEP:
            stale = or_(
                ShareLinkRow.last_used.is_(None), ShareLinkRow.last_used <= now - LAST_USED_STEP
            )
            with self.session(writes="bookkeeping") as session:
                session.execute(
                    update(ShareLinkRow).where(ShareLinkRow.id == id, stale).values(last_used=now)
                )
            row.last_used = now
        return _link(row)

    def shares(self, tank: str | None = None) -> list[ShareLink]:
        """All links that ever were, of one tank or all, oldest first."""
        query = select(ShareLinkRow).order_by(ShareLinkRow.created, ShareLinkRow.id)
        if tank is not None:
            query = query.where(ShareLinkRow.tank == tank)
        with self.session(writes=False) as session:
            rows = session.scalars(query).all()
        return [_link(row) for row in rows]

    def revoke_share(self, id: str, now: datetime) -> ShareLink:
        """End a link at once; the time of one that was revoked before stays.

        Raises:
            NotFoundError: there is none of this id.
        """
        write = AuditedWrite(Action.SHARE_REVOKED, f"shares/{id}")
        with self.session(writes=write) as session:
            row = session.get(ShareLinkRow, id, with_for_update=True)
            if row is None:
                raise NotFoundError(f"link is {id!r}; allowed: the id of a link in the list")
            write.subject = f"tanks/{row.tank}/shares/{id}"
            write.happened = row.revoked is None
            if row.revoked is None:
                row.revoked = now
            return _link(row)


def require_valid(row: ShareLinkRow, now: datetime) -> None:
    """Refuse a link that is over.

    Raises:
        GoneError: it has expired or was revoked.
    """
    if not _link(row).valid(now):
        over = "expired" if row.revoked is None else "was revoked"
        at = row.revoked or row.expires
        raise GoneError(f"this link {over} on {at:%Y-%m-%d at %H:%M} UTC; ask for a new one")


def _check(
    start: datetime,
    end: datetime,
    now: datetime,
    expires: datetime,
    name: str,
    may_report: bool,
) -> None:
    check(_FIELDS, {"start": start, "end": end, "expires": expires, "name": name})
    found = {}
    if end <= start:
        allowed = f"a time after start, which is {format_moment(start)}"
        found["end"] = [Refusal(format_moment(end), allowed)]
    if not now < expires <= now + LONGEST:
        allowed = f"a time within {LONGEST.days} days of {format_moment(now)}"
        found["expires"] = [Refusal(format_moment(expires), allowed)]
    if may_report and not name.strip():
        allowed = "who the link is for, as what they report is logged under this name"
        found["name"] = [Refusal(name or LEFT_OUT, allowed)]
    refuse(found)


def _link(row: ShareLinkRow) -> ShareLink:
    return ShareLink(
        id=row.id,
        tank=row.tank,
        start=row.start,
        end=row.end,
        created=row.created,
        expires=row.expires,
        revoked=row.revoked,
        last_used=row.last_used,
        name=row.name,
        may_report=row.may_report,
    )
