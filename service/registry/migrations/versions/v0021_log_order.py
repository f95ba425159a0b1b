"""The order in which the log entries of a tank were stored, for those of one moment."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    # SQLite adds no column without a default.
    op.add_column(
        "log_entry", sa.Column("sequence", sa.BigInteger(), nullable=False, server_default="0")
    )
    stored = "rowid" if op.get_bind().dialect.name == "sqlite" else "recorded NULLS FIRST, time, id"
    op.execute(
        "UPDATE log_entry SET sequence = numbered.number FROM (SELECT id, row_number()"
        f" OVER (PARTITION BY tank ORDER BY {stored}) AS number FROM log_entry) AS numbered"
        " WHERE numbered.id = log_entry.id"
    )
    op.create_index("uq_log_entry_tank_sequence", "log_entry", ["tank", "sequence"], unique=True)
