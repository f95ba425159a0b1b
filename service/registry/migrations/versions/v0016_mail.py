"""Events for one target alone, and targets that want nothing more: mail and its end."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    # SQLite adds no column without a default.
    op.add_column("event", sa.Column("target", sa.String(64), nullable=False, server_default=""))
    op.add_column("target", sa.Column("stopped", sa.DateTime(timezone=True)))
