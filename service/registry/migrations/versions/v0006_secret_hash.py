"""The hash of a secret is called so in its column."""

from __future__ import annotations

from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Rename a column of both tables; SQLite and PostgreSQL know the same statement."""
    for table in ("token", "share_link"):
        op.execute(f"ALTER TABLE {table} RENAME COLUMN seal TO secret_hash")
