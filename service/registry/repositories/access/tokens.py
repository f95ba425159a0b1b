"""Registry of bearer tokens."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from sqlalchemy import or_, select, update

from service.errors import ConflictError, InvalidInputError, NotFoundError
from service.registry import secret_hashes
from service.registry.audit import Action, AuditedWrite
from service.registry.database.connection import Database
from service.registry.fields.limits import NAME_LENGTH
from service.registry.models.access import LAST_USED_STEP, Scope, Token
from service.registry.repositories.access.sessions import end_rows
from service.registry.tables.access import TokenRow
from service.schemas.base import Schema
from service.schemas.checks import check
from service.schemas.fields import Choice, Text
from service.schemas.times import Moment
from service.times import format_moment

PREFIX = "littoral"
LOCK_KEY = 0x11770_2A3
"""Key of PostgreSQL's advisory lock on the names of tokens; never changes."""


class _TokenFields(Schema):
    name = Text(shortest=1, longest=NAME_LENGTH, required=True)
    scope = Choice(words=list(Scope), required=True)
    expires = Moment(allow_none=True)


_FIELDS = _TokenFields()


class TokenRepository(Database):
    """Tokens: made, checked, revoked; rows stay, so that a list shows what there was."""

    def create_token(
        self, name: str, scope: Scope, now: datetime, *, expires: datetime | None = None
    ) -> tuple[Token, str]:
        """Make a token; returns it and its secret, which cannot be read again.

        Raises:
            InvalidInputError: an empty name, or an expiry that is not in the future.
            ConflictError: a valid token has this name.
        """
        check(_FIELDS, {"name": name, "scope": scope, "expires": expires})
        if expires is not None and expires <= now:
            allowed = f"a time after {format_moment(now)}"
            raise InvalidInputError.of_field("expires", format_moment(expires), allowed)
        fresh = secret_hashes.make(PREFIX)
        token = Token(fresh.id, name, Scope(scope), now, expires)
        write = AuditedWrite(Action.TOKEN_CREATED, f"tokens/{token.id}")
        with self.session(writes=write) as session:
            self._one_at_a_time(session, LOCK_KEY)
            same = session.scalars(select(TokenRow).where(TokenRow.name == name))
            if any(_token(row).valid(now) for row in same):
                raise ConflictError(
                    f"token {name!r} exists already: revoke it, or take another name"
                )
            session.add(
                TokenRow(
                    id=token.id,
                    name=name,
                    scope=token.scope.value,
                    secret_hash=fresh.hash,
                    created=now,
                    expires=expires,
                )
            )
        return token, fresh.secret

    def token_of(self, secret: str, now: datetime) -> Token | None:
        """The valid token of a secret, noting its use; None if there is none."""
        id = secret_hashes.id_of(secret, PREFIX)
        if id is None:
            return None
        try:
            row = self._token_row(id)
        except NotFoundError:
            return None
        if not secret_hashes.matches(secret, row.secret_hash) or not _token(row).valid(now):
            return None
        if row.last_used is None or now - row.last_used >= LAST_USED_STEP:
            stale = or_(TokenRow.last_used.is_(None), TokenRow.last_used <= now - LAST_USED_STEP)
            with self.session(writes="bookkeeping") as session:
                session.execute(
                    update(TokenRow).where(TokenRow.id == id, stale).values(last_used=now)
                )
            return replace(_token(row), last_used=now)
        return _token(row)

    def token(self, id: str) -> Token:
        """One token by its id, valid or not.

        Raises:
            NotFoundError: there is none of this id.
        """
        return _token(self._token_row(id))

    def _token_row(self, id: str) -> TokenRow:
        def ask() -> TokenRow:
            with self.session(writes=False) as session:
                row = session.get(TokenRow, id)
            if row is None:
                raise _no_token(id)
            return row

        return self.cache.get(("token", id), ask)

    def tokens(self) -> list[Token]:
        """All tokens that ever were, oldest first."""
        with self.session(writes=False) as session:
            rows = session.scalars(select(TokenRow).order_by(TokenRow.created, TokenRow.id)).all()
        return [_token(row) for row in rows]

    def has_tokens(self) -> bool:
        """Whether access is by token: also when all of them have expired or are revoked."""

        def ask() -> bool:
            with self.session(writes=False) as session:
                return session.scalar(select(TokenRow.id).limit(1)) is not None

        return self.cache.get("has tokens", ask)

    def revoke_token(self, id: str, now: datetime) -> Token:
        """End a token and its sessions at once; the time of one that was revoked before stays.

        Raises:
            NotFoundError: there is none of this id.
        """
        write = AuditedWrite(Action.TOKEN_REVOKED, f"tokens/{id}")
        with self.session(writes=write) as session:
            row = session.get(TokenRow, id, with_for_update=True)
            if row is None:
                raise _no_token(id)
            write.happened = row.revoked is None
            if row.revoked is None:
                row.revoked = now
            end_rows(session, now, token=id)
            return _token(row)


def _token(row: TokenRow) -> Token:
    return Token(
        id=row.id,
        name=row.name,
        scope=Scope(row.scope),
        created=row.created,
        expires=row.expires,
        revoked=row.revoked,
        last_used=row.last_used,
    )


def _no_token(id: str) -> NotFoundError:
    return NotFoundError(f"token is {id!r}; allowed: the id of a token in the list")
