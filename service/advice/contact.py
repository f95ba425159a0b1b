"""How the tank keeper can be reached: by the present absence, else by the tank."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from service.registry.models.absence import Absence
from service.registry.models.tank import Tank


def contact_now(tank: Tank, absences: Iterable[Absence], now: datetime) -> str:
    """The contact in force for a tank: of the present absence that began last, else its own."""
    present = [one for one in absences if one.start <= now < one.end and covers(one, tank.id)]
    return contact_during(max(present, key=lambda one: one.start, default=None), tank)


def contact_during(absence: Absence | None, tank: Tank) -> str:
    """The contact during an absence; the tank's own where that says nothing."""
    return (absence.contact if absence else "") or tank.contact


def covers(absence: Absence, tank: str) -> bool:
    """Whether an absence is about a tank; any is about "", no tank in particular."""
    return not tank or not absence.tanks or tank in absence.tanks
