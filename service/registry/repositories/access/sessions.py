"""Registry of the sessions of the pages: from log-in to log-out, or until they expire."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import delete, or_, select, update
from sqlalchemy.orm import Session

from service.errors import NotFoundError, shown
from service.registry import secret_hashes
from service.registry.audit import Action, AuditedWrite
from service.registry.database.connection import Database
from service.registry.models.access import LAST_USED_STEP, LoginSession
from service.registry.tables.access import LoginSessionRow, TokenRow

PREFIX: Final = "session"
MOST_PER_TOKEN: Final = 50
"""Sessions of one token that are not ended; the one unused for longest gives way to a new one."""


class SessionRepository(Database):
    """Sessions: their secret is in a browser only; rows stay until they are pruned."""

    def create_session(
        self, token: str, now: datetime, *, expires: datetime
    ) -> tuple[LoginSession, str]:
        """Begin a session with a token; returns it and its secret, which cannot be read again."""
        fresh = secret_hashes.make(PREFIX)
        begun = LoginSession(fresh.id, token, now, now, expires)
        row = LoginSessionRow(
            id=begun.id,
            token=token,
            secret_hash=fresh.hash,
            created=now,
            last_used=now,
            expires=expires,
        )
        write = AuditedWrite(Action.SESSION_STARTED, _subject(begun.token, begun.id))
        with self.session(writes=write) as session:
            _make_room(session, token, now)
            session.add(row)
        return begun, fresh.secret

    def session_of(self, secret: str, now: datetime, idle: timedelta) -> LoginSession | None:
        """The active session of a secret, noting its use; None if there is none."""
        id = secret_hashes.id_of(secret, PREFIX)
        row = None if id is None else self._session_row(id)
        if row is None or not secret_hashes.matches(secret, row.secret_hash):
            return None
        found = _session(row)
        if not found.active(now, idle):
            return None
        if now - found.last_used < LAST_USED_STEP:
            return found
        with self.session(writes="bookkeeping") as session:
            stale = LoginSessionRow.last_used <= now - LAST_USED_STEP
            session.execute(
                update(LoginSessionRow)
                .where(LoginSessionRow.id == found.id, stale)
                .values(last_used=now)
            )
        return replace(found, last_used=now)

    def login_session(self, id: str) -> LoginSession:
        """One session by its id, active or not.

        Raises:
            NotFoundError: there is none of this id, or it was pruned.
        """
        row = self._session_row(id)
        if row is None:
            raise _no_session(id)
        return _session(row)

    def login_sessions(self, token: str | None = None) -> list[LoginSession]:
        """All sessions that are still stored, of one token or all, newest first."""
        query = select(LoginSessionRow).order_by(LoginSessionRow.created.desc(), LoginSessionRow.id)
        if token is not None:
            query = query.where(LoginSessionRow.token == token)
        with self.session(writes=False) as session:
            return [_session(row) for row in session.scalars(query)]

    def end_session(self, id: str, now: datetime) -> LoginSession:
        """End a session at once; the time of one that was ended before stays.

        Raises:
            NotFoundError: there is none of this id.
        """
        write = AuditedWrite(Action.SESSION_ENDED, f"sessions/{id}")
        with self.session(writes=write) as session:
            row = session.get(LoginSessionRow, id, with_for_update=True)
            if row is None:
                raise _no_session(id)
            write.subject = _subject(row.token, id)
            write.happened = row.ended is None
            if row.ended is None:
                row.ended = now
            return _session(row)

    def end_sessions(
        self, now: datetime, *, token: str | None = None, but: str = ""
    ) -> list[LoginSession]:
        """End all sessions that are not ended, of one token or all; returns them.

        Args:
            but: id of one that goes on.
        """
        write = AuditedWrite(
            Action.SESSION_ENDED, "sessions" if token is None else f"tokens/{token}/sessions"
        )
        with self.session(writes=write) as session:
            rows = end_rows(session, now, token=token, but=but)
            write.happened = bool(rows)
            return [_session(row) for row in rows]

    def prune_sessions(self, before: datetime) -> int:
        """Delete sessions that were over before a time; returns how many."""
        over = or_(
            LoginSessionRow.ended < before,
            LoginSessionRow.expires < before,
            LoginSessionRow.last_used < before,
        )
        with self.session(writes="bookkeeping") as session:
            gone = delete(LoginSessionRow).where(over).returning(LoginSessionRow.id)
            return len(session.scalars(gone).all())

    def _session_row(self, id: str) -> LoginSessionRow | None:
        def ask() -> LoginSessionRow | None:
            with self.session(writes=False) as session:
                return session.get(LoginSessionRow, id)

        return self.cache.get(("login session", id), ask)


def end_rows(
    session: Session, now: datetime, *, token: str | None = None, but: str = ""
) -> list[LoginSessionRow]:
    """End sessions within a transaction of another repository; returns those that it ended."""
    query = select(LoginSessionRow).where(
        LoginSessionRow.ended.is_(None), LoginSessionRow.id != but
    )
    if token is not None:
        query = query.where(LoginSessionRow.token == token)
    rows = list(session.scalars(query.order_by(LoginSessionRow.id).with_for_update()))
    for row in rows:
        row.ended = now
    return rows


def _make_room(session: Session, token: str, now: datetime) -> None:
    # Log-ins with one token one after the other: two at the same moment count each other.
    session.execute(select(TokenRow.id).where(TokenRow.id == token).with_for_update(key_share=True))
    query = (
        select(LoginSessionRow)
        .where(LoginSessionRow.token == token, LoginSessionRow.ended.is_(None))
        .order_by(LoginSessionRow.last_used.desc(), LoginSessionRow.id)
        .offset(MOST_PER_TOKEN - 1)
    )
    for row in session.scalars(query).all():
        row.ended = now


def _session(row: LoginSessionRow) -> LoginSession:
    return LoginSession(
        id=row.id,
        token=row.token,
        created=row.created,
        last_used=row.last_used,
        expires=row.expires,
        ended=row.ended,
    )


def _subject(token: str, id: str) -> str:
    """What an audit record names a session."""
    return f"tokens/{token}/sessions/{id}"


def _no_session(id: str) -> NotFoundError:
    return NotFoundError(f"session is {shown(id)}; allowed: the id of a session in the list")
