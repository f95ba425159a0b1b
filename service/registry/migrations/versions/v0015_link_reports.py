"""Sharing links that take reports of what was done, each once."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    op.execute("ALTER TABLE share_link RENAME COLUMN note TO name")
    # SQLite adds no column without a default.
    may_report: sa.Column[bool] = sa.Column(
        "may_report", sa.Boolean(), nullable=False, server_default=sa.false()
    )
    op.add_column("share_link", may_report)
    op.create_table(
        "link_report",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("link", sa.String(64), nullable=False),
        sa.Column("key", sa.String(64), nullable=False),
        sa.Column("tank", sa.String(64), nullable=False),
        sa.Column("task", sa.Text()),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("time", sa.DateTime(timezone=True), nullable=False),
        sa.Column("received", sa.DateTime(timezone=True), nullable=False),
        sa.Column("entry", sa.String(64)),
        sa.ForeignKeyConstraint(
            ["link"], ["share_link.id"], name="fk_link_report_link", ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["tank"], ["tank.id"], name="fk_link_report_tank", ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["entry"], ["log_entry.id"], name="fk_link_report_entry", ondelete="SET NULL"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_link_report"),
        sa.UniqueConstraint("link", "key", name="uq_link_report_link_key"),
    )
    op.create_index(
        "uq_link_report_tank_task",
        "link_report",
        ["tank", "task"],
        unique=True,
        sqlite_where=sa.text("entry IS NOT NULL"),
        postgresql_where=sa.text("entry IS NOT NULL"),
    )
    op.create_index("ix_link_report_entry", "link_report", ["entry"])
