"""Tanks, log, absences, rejections, statuses, recommendations."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Create the first tables."""
    op.create_table(
        "tank",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_tank"),
    )
    _create_log()
    op.create_table(
        "absence",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("start", sa.DateTime(timezone=True), nullable=False),
        sa.Column("end", sa.DateTime(timezone=True), nullable=False),
        sa.Column("covers", sa.Text(), nullable=False),
        sa.Column("tanks", sa.JSON(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_absence"),
    )
    _create_rejections()
    op.create_table(
        "status",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_status"),
    )
    _create_recommendations()


def _create_log() -> None:
    op.create_table(
        "log_entry",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("tank", sa.String(64), nullable=False),
        sa.Column("kind", sa.String(64), nullable=False),
        sa.Column("time", sa.DateTime(timezone=True), nullable=False),
        sa.Column("data", sa.JSON(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("recorded", sa.DateTime(timezone=True)),
        sa.ForeignKeyConstraint(
            ["tank"], ["tank.id"], name="fk_log_entry_tank", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_log_entry"),
    )
    op.create_index("ix_log_entry_tank_time", "log_entry", ["tank", "time"])
    op.create_index("ix_log_entry_tank_kind_time", "log_entry", ["tank", "kind", "time"])


def _create_rejections() -> None:
    op.create_table(
        "rejection",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("time", sa.DateTime(timezone=True), nullable=False),
        sa.Column("tank", sa.Text(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("payload_excerpt", sa.Text(), nullable=False),
        sa.Column("reason_code", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_rejection"),
    )
    op.create_index("ix_rejection_tank_id", "rejection", ["tank", "id"])
    op.create_table(
        "rejection_count",
        sa.Column("reason_code", sa.Text(), nullable=False),
        sa.Column("total", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("reason_code", name="pk_rejection_count"),
    )


def _create_recommendations() -> None:
    op.create_table(
        "recommendation",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("tank", sa.String(64), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("severity", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(64), nullable=False),
        sa.Column("first_seen", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_seen", sa.DateTime(timezone=True), nullable=False),
        sa.Column("snoozed_until", sa.DateTime(timezone=True)),
        sa.Column("folded", sa.Boolean(), nullable=False),
        sa.Column("finding", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["tank"], ["tank.id"], name="fk_recommendation_tank", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_recommendation"),
    )
    op.create_index("ix_recommendation_tank_state", "recommendation", ["tank", "state"])
    op.create_index(
        "ix_recommendation_tank_code_subject", "recommendation", ["tank", "code", "subject"]
    )
