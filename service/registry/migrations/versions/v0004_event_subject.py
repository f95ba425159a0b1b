"""Events are found by their subject."""

from __future__ import annotations

from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    op.create_index("ix_event_subject_sequence", "event", ["subject", "sequence"])
