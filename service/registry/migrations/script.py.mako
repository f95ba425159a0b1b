"""${message}."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}


def upgrade() -> None:
    """What this version adds. Plain types only: history must not follow models.py."""
    ${upgrades if upgrades else "pass"}
