"""An absence says how the tank keeper can be reached meanwhile."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    # SQLite adds no column without a default.
    op.add_column("absence", sa.Column("contact", sa.Text(), nullable=False, server_default=""))
