"""Pictures of log entries."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    op.create_table(
        "picture",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("tank", sa.String(64), nullable=True),
        sa.Column("entry", sa.String(64), nullable=True),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("bytes", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("thumbnail_bytes", sa.BigInteger(), nullable=False),
        sa.Column("thumbnail_sha256", sa.String(64), nullable=False),
        sa.Column("source_sha256", sa.String(64), nullable=False),
        sa.ForeignKeyConstraint(["tank"], ["tank.id"], name="fk_picture_tank", ondelete="SET NULL"),
        sa.ForeignKeyConstraint(
            ["entry"], ["log_entry.id"], name="fk_picture_entry", ondelete="SET NULL"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_picture"),
        sa.UniqueConstraint("entry", "source_sha256", name="uq_picture_entry_source_sha256"),
    )
    op.create_index("ix_picture_tank", "picture", ["tank"])
