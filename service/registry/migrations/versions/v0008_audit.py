"""Who wrote what when."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    big_key = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "audit",
        sa.Column("sequence", big_key, nullable=False),
        sa.Column("time", sa.DateTime(timezone=True), nullable=False),
        sa.Column("actor_kind", sa.String(64), nullable=False),
        sa.Column("actor_id", sa.String(64), nullable=False),
        sa.Column("actor_name", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("action", sa.String(64), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("members", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("sequence", name="pk_audit"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_audit_time", "audit", ["time"])
    op.create_index("ix_audit_action_sequence", "audit", ["action", "sequence"])
