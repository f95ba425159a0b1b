"""Events, and their delivery to each target."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    big_key = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "event",
        sa.Column("sequence", big_key, nullable=False),
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("type", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("tank", sa.Text(), nullable=False),
        sa.Column("time", sa.DateTime(timezone=True), nullable=False),
        sa.Column("data", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("sequence", name="pk_event"),
        sa.UniqueConstraint("id", name="uq_event_id"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_event_time", "event", ["time"])
    op.create_table(
        "delivery",
        sa.Column("id", big_key, nullable=False),
        sa.Column("target", sa.String(64), nullable=False),
        sa.Column("event", big_key, nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("state", sa.String(64), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("next_try", sa.DateTime(timezone=True), nullable=False),
        sa.Column("claimed_until", sa.DateTime(timezone=True)),
        sa.Column("last_error", sa.Text(), nullable=False),
        sa.Column("settled", sa.DateTime(timezone=True)),
        sa.ForeignKeyConstraint(
            ["event"], ["event.sequence"], name="fk_delivery_event", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_delivery"),
        sa.UniqueConstraint("target", "event", name="uq_delivery_target_event"),
    )
    op.create_index(
        "ix_delivery_state_target_next_try", "delivery", ["state", "target", "next_try"]
    )
    op.create_index("ix_delivery_event", "delivery", ["event"])
    op.create_table(
        "target",
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("seen", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_target"),
    )
