"""Tokens, links to handover sheets, the service's own signing keys."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    op.create_table(
        "token",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("scope", sa.String(64), nullable=False),
        sa.Column("seal", sa.Text(), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires", sa.DateTime(timezone=True)),
        sa.Column("revoked", sa.DateTime(timezone=True)),
        sa.Column("last_used", sa.DateTime(timezone=True)),
        sa.PrimaryKeyConstraint("id", name="pk_token"),
    )
    op.create_table(
        "share_link",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("tank", sa.String(64), nullable=False),
        sa.Column("start", sa.DateTime(timezone=True), nullable=False),
        sa.Column("end", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seal", sa.Text(), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires", sa.DateTime(timezone=True), nullable=False),
        sa.Column("revoked", sa.DateTime(timezone=True)),
        sa.Column("last_used", sa.DateTime(timezone=True)),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["tank"], ["tank.id"], name="fk_share_link_tank", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_share_link"),
    )
    op.create_index("ix_share_link_tank", "share_link", ["tank"])
    op.create_table(
        "signing_key",
        sa.Column("purpose", sa.String(64), nullable=False),
        sa.Column("key", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("purpose", name="pk_signing_key"),
    )
