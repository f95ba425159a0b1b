"""The CO2 cylinder has a field of its own; it was among the free facts of the equipment."""

from __future__ import annotations

import re
from datetime import date
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"

_GRAMS = {"g": 1.0, "kg": 1000.0}


def upgrade() -> None:
    """Move content and day; what is not understood stays a fact under another name."""
    connection = op.get_bind()
    tank = sa.table("tank", sa.column("id", sa.String()), sa.column("document", sa.JSON()))
    for id, document in connection.execute(sa.select(tank.c.id, tank.c.document)).all():
        facts = document.get("equipment", {})
        named = {name: facts[name] for name in facts if name.casefold().startswith("cylinder")}
        if not named:
            continue
        rest = {name: fact for name, fact in facts.items() if name not in named}
        content, put_on = _content_g(named), _day(named.get("cylinder_filled"))
        if content is not None and put_on is not None:
            moved = {"cylinder": {"content_g": content, "put_on": put_on}}
        else:
            moved = {}
            rest |= {f"former {name}": fact for name, fact in named.items()}
        changed = document | moved | {"equipment": rest}
        connection.execute(tank.update().where(tank.c.id == id).values(document=changed))


def _content_g(named: dict[str, Any]) -> float | None:
    for name, fact in named.items():
        match = re.fullmatch(r"([0-9.]+) *(kg|g)?", str(fact).strip())
        unit = "kg" if name.endswith("_kg") else "g"
        if name in ("cylinder", "cylinder_g", "cylinder_kg") and match:
            try:
                return float(match[1]) * _GRAMS[match[2] or unit] or None
            except ValueError:
                continue
    return None


def _day(value: object) -> str | None:
    try:
        return date.fromisoformat(str(value)).isoformat()
    except ValueError:
        return None
