"""One name for one thing: members of tanks, thresholds, and who may do a recommendation."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"

_TANK = {"livestock": "animals", "plants": "targets", "planting": "plants"}
_LIGHT = {"lights_on": "start", "hours": "photoperiod_h"}
_GAS = {"gas_on": "start", "gas_off": "end", "gas_close": "close"}
_THRESHOLDS = {
    "co2_step_share": "co2_step_fraction",
    "co2_surely_high_share": "co2_urgent_factor",
    "co2_unsteady_share": "co2_unsteady_fraction",
    "night_fall_share": "night_fall_fraction",
    "gas_start_share": "gas_start_fraction",
    "kh_doubt_share": "kh_doubt_factor",
    "dli_tolerance_share": "dli_tolerance_fraction",
    "co2_below_share_for_light": "co2_below_fraction_for_light",
    "settling_share": "settling_fraction",
    "work_share": "work_fraction",
    "change_overdue_share": "change_overdue_fraction",
    "change_counts_share": "change_counts_fraction",
    "dose_double_share": "dose_double_factor",
    "gas_dissolved_share": "gas_dissolved_fraction",
    "newcomer_share": "newcomer_fraction",
}


def upgrade() -> None:
    """Rename members of the JSON columns. Plain types only: history must not follow tables.py."""
    connection = op.get_bind()
    tank = sa.table("tank", sa.column("id", sa.String()), sa.column("document", sa.JSON()))
    for id, document in connection.execute(sa.select(tank.c.id, tank.c.document)).all():
        connection.execute(tank.update().where(tank.c.id == id).values(document=_tank(document)))
    recommendation = sa.table(
        "recommendation", sa.column("id", sa.String()), sa.column("finding", sa.JSON())
    )
    of_finding = sa.select(recommendation.c.id, recommendation.c.finding)
    for id, stored in connection.execute(of_finding).all():
        finding = stored.get("finding", {})
        if finding.get("who") == "practitioner":
            changed = stored | {"finding": finding | {"who": "keeper"}}
            connection.execute(
                recommendation.update().where(recommendation.c.id == id).values(finding=changed)
            )
    event = sa.table("event", sa.column("sequence", sa.Integer()), sa.column("data", sa.JSON()))
    for sequence, data in connection.execute(sa.select(event.c.sequence, event.c.data)).all():
        if data.get("who") == "practitioner":
            changed = data | {"who": "keeper"}
            connection.execute(
                event.update().where(event.c.sequence == sequence).values(data=changed)
            )


def _tank(document: Mapping[str, Any]) -> dict[str, Any]:
    renamed = _renamed(document, _TANK)
    plan = renamed.pop("photoperiod", None)
    if plan is not None:
        renamed["light"] = {new: plan[old] for old, new in _LIGHT.items() if old in plan}
        renamed["gas"] = {new: plan[old] for old, new in _GAS.items() if old in plan}
    if "thresholds" in renamed:
        renamed["thresholds"] = _renamed(renamed["thresholds"], _THRESHOLDS)
    return renamed


def _renamed(document: Mapping[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    return {names.get(name, name): value for name, value in document.items()}
