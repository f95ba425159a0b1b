"""Schedulers that share the tanks, their leases, and who attempts a delivery."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow the models."""
    op.create_table(
        "scheduler",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("process", sa.Text(), nullable=False),
        sa.Column("lease_s", sa.Float(), nullable=False),
        sa.Column("published", sa.JSON(), nullable=False),
        sa.Column("beat", sa.BigInteger(), nullable=False),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_scheduler"),
    )
    op.create_table(
        "lease",
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("holder", sa.String(64), nullable=False),
        sa.Column("token", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_lease"),
    )
    op.add_column(
        "delivery", sa.Column("claimed_by", sa.String(64), nullable=False, server_default="")
    )
    # Each scheduler reports under its own id now.
    op.execute("DELETE FROM status WHERE name = 'advice:scheduler'")
