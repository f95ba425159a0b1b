"""Clocks of devices that are off by a known constant."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    op.create_table(
        "device_clock",
        sa.Column("tank", sa.String(64), nullable=False),
        sa.Column("quantity", sa.String(64), nullable=False),
        sa.Column("sensor", sa.String(64), nullable=False),
        sa.Column("fast_s", sa.BigInteger(), nullable=False),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["tank"], ["tank.id"], name="fk_device_clock_tank", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("tank", "quantity", "sensor", name="pk_device_clock"),
    )
