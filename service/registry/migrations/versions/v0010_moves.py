"""What a recommendation moves is stored as lever and way; it was one word, as ``co2:lower``."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    """Words of before are left out: the next evaluation, a minute later, states them anew."""
    table = sa.table("recommendation", sa.column("id", sa.String), sa.column("finding", sa.JSON))
    connection = op.get_bind()
    for row in connection.execute(sa.select(table.c.id, table.c.finding)).all():
        finding = dict(row.finding.get("finding", {}))
        if any(isinstance(one, str) for one in finding.get("moves", [])):
            finding["moves"] = []
            document = {**row.finding, "finding": finding}
            connection.execute(
                sa.update(table).where(table.c.id == row.id).values(finding=document)
            )
