"""Carbonate hardness is called KH, and what trim and replant touched a fraction, as elsewhere."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

_TANK = {"alkalinity_meq_l": "kh_meq_l", "alkalinity_tested": "kh_tested"}
_WATER_CHANGE = {
    "tap_alkalinity_meq_l": "tap_kh_meq_l",
    "target_alkalinity_meq_l": "target_kh_meq_l",
}
_LOG = {
    "kh-test": {"alkalinity_meq_l": "kh_meq_l"},
    "water-change": {"alkalinity_meq_l": "kh_meq_l"},
    "trim": {"share": "fraction"},
    "replant": {"share": "fraction"},
}


def upgrade() -> None:
    """Rename members of the JSON columns. Plain types only: history must not follow tables.py."""
    connection = op.get_bind()
    tank = sa.table("tank", sa.column("id", sa.String()), sa.column("document", sa.JSON()))
    for id, document in connection.execute(sa.select(tank.c.id, tank.c.document)).all():
        renamed = _renamed(document, _TANK)
        if "water_change" in renamed:
            renamed["water_change"] = _renamed(renamed["water_change"], _WATER_CHANGE)
        connection.execute(tank.update().where(tank.c.id == id).values(document=renamed))
    log = sa.table(
        "log_entry",
        sa.column("id", sa.String()),
        sa.column("kind", sa.String()),
        sa.column("data", sa.JSON()),
    )
    for kind, names in _LOG.items():
        rows = sa.select(log.c.id, log.c.data).where(log.c.kind == kind)
        for id, data in connection.execute(rows).all():
            values = _renamed(data, names)
            connection.execute(log.update().where(log.c.id == id).values(data=values))


def _renamed(document: Mapping[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    return {names.get(name, name): value for name, value in document.items()}
