"""Routes that people made, and which sensor of a quantity was first in a tank."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    op.create_table(
        "route",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("tank", sa.String(64), nullable=True),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["tank"], ["tank.id"], name="fk_route_tank", ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name="pk_route"),
    )
    op.create_table(
        "first_sensor",
        sa.Column("tank", sa.String(64), nullable=False),
        sa.Column("quantity", sa.String(64), nullable=False),
        sa.Column("sensor", sa.String(64), nullable=False),
        sa.ForeignKeyConstraint(
            ["tank"], ["tank.id"], name="fk_first_sensor_tank", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("tank", "quantity", name="pk_first_sensor"),
    )
    op.execute("INSERT INTO list (name, version) VALUES ('routes', '0')")
