"""The step of the KH test is the kit's; it was a threshold of the tank."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"

_MEQ_L_PER_DEGREE = 0.35665246


def upgrade() -> None:
    """Move the override of the threshold to the kit, in meq/L, as a kit whose drops are counted."""
    connection = op.get_bind()
    tank = sa.table("tank", sa.column("id", sa.String()), sa.column("document", sa.JSON()))
    for id, document in connection.execute(sa.select(tank.c.id, tank.c.document)).all():
        thresholds = dict(document.get("thresholds", {}))
        step_dkh = thresholds.pop("kh_step_dkh", None)
        if step_dkh is None:
            continue
        kit = {"method": "drops", "step_meq_l": step_dkh * _MEQ_L_PER_DEGREE}
        moved = document | {"thresholds": thresholds, "kh_kit": kit}
        connection.execute(tank.update().where(tank.c.id == id).values(document=moved))
