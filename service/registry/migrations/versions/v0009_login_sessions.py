"""Sessions of the pages, which were signed cookies before."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    op.create_table(
        "login_session",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("token", sa.String(64), nullable=False),
        sa.Column("secret_hash", sa.Text(), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_used", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended", sa.DateTime(timezone=True)),
        sa.ForeignKeyConstraint(
            ["token"], ["token.id"], name="fk_login_session_token", ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_login_session"),
    )
    op.create_index("ix_login_session_token", "login_session", ["token"])
    # It signed cookies that told by themselves who was logged in.
    op.execute("DELETE FROM signing_key")
