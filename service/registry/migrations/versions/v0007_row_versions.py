"""Tanks and the list of absences have a version, which conditional writes compare."""

from __future__ import annotations

import secrets

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    # SQLite adds no column without a default, and to make the table anew would delete the log.
    version = sa.Column("version", sa.String(64), nullable=False, server_default="")
    op.add_column("tank", version)
    fresh = secrets.token_hex(12)  # the same for all: a version is compared within its row only
    op.execute(sa.update(sa.table("tank", sa.column("version"))).values(version=fresh))
    op.create_table(
        "list",
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("version", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_list"),
    )
    op.bulk_insert(
        sa.table("list", sa.column("name"), sa.column("version")),
        [{"name": "absences", "version": secrets.token_hex(12)}],
    )
