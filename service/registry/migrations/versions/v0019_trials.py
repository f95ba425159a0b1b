"""Trials: what was changed in a tank to see what comes of it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    op.create_table(
        "trial",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("tank", sa.String(64), nullable=False),
        sa.Column("state", sa.String(64), nullable=False),
        sa.Column("begun", sa.DateTime(timezone=True), nullable=False),
        sa.Column("look_again", sa.DateTime(timezone=True), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("version", sa.String(64), nullable=False),
        sa.ForeignKeyConstraint(["tank"], ["tank.id"], name="fk_trial_tank", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name="pk_trial"),
    )
    op.create_index("ix_trial_tank_state", "trial", ["tank", "state"])
