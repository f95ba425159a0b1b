"""Registry of the keys that the service signs with: the only place where they are."""

from __future__ import annotations

import secrets
from datetime import datetime
from typing import Final

from service.registry.audit import Action, AuditedWrite
from service.registry.database.connection import Database
from service.registry.repositories.access.sessions import end_rows
from service.registry.tables.access import SigningKeyRow

SIGNING_KEY_BYTES: Final = 32
PAGES: Final = "pages"
"""Purpose of the key that signs the cookie of the pages: form tokens and messages, no rights."""


class SigningKeyRepository(Database):
    """Random keys by purpose, the same in every process."""

    def signing_key(self, purpose: str = PAGES) -> bytes:
        """The key of one purpose, made when it is first asked for."""

        def ask() -> bytes | None:
            with self.session(writes=False) as session:
                row = session.get(SigningKeyRow, purpose)
            return None if row is None else row.key

        return self.cache.get(("signing key", purpose), ask) or self._make_key(purpose)

    def rotate_signing_key(self, now: datetime, purpose: str = PAGES) -> int:
        """Replace a key, and end all sessions; returns how many.

        What the old one signed is worth nothing from here on, in every process.
        """
        write = AuditedWrite(Action.KEY_ROTATED, f"keys/{purpose}")
        upsert = self._insert()(SigningKeyRow).values(purpose=purpose, key=_fresh())
        with self.session(writes=write) as session:
            session.execute(
                upsert.on_conflict_do_update(
                    index_elements=["purpose"], set_={"key": upsert.excluded.key}
                )
            )
            return len(end_rows(session, now))

    def _make_key(self, purpose: str) -> bytes:
        fresh = self._insert()(SigningKeyRow).values(purpose=purpose, key=_fresh())
        with self.session(writes="bookkeeping") as session:
            session.execute(fresh.on_conflict_do_nothing(index_elements=["purpose"]))
            return session.get_one(SigningKeyRow, purpose).key


def _fresh() -> bytes:
    return secrets.token_bytes(SIGNING_KEY_BYTES)
