"""When a recommendation is due has a column, so that the most urgent are found by an index."""

from __future__ import annotations

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0023"
down_revision = "0022"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    op.add_column("recommendation", sa.Column("due", sa.DateTime(timezone=True), nullable=True))
    table = sa.table(
        "recommendation",
        sa.column("id", sa.String),
        sa.column("finding", sa.JSON),
        sa.column("due", sa.DateTime(timezone=True)),
    )
    due = table.c.finding["finding", "due"].as_string()
    connection = op.get_bind()
    for id, text in connection.execute(sa.select(table.c.id, due).where(due.is_not(None))).all():
        moment = datetime.fromisoformat(text).astimezone(UTC)
        connection.execute(sa.update(table).where(table.c.id == id).values(due=moment))
    op.create_index(
        "ix_recommendation_state_severity_due_first_seen_id",
        "recommendation",
        ["state", "severity", "due", "first_seen", "id"],
    )
