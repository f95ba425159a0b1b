"""What the animals and the plants of a tank have in common over HTTP."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.api.context import current, now
from service.derive.log_in_force import log_in_force
from service.registry.models.log import LogEntry
from service.registry.models.tank import Tank
from service.schemas.answers import AnswerSchema
from service.schemas.base import Items
from service.schemas.fields import Text


class OfSpeciesSchema(AnswerSchema):
    """What a tank has of one species."""

    species = Text("As the tank names it.")
    listed_as = Text("Name in the table of species; empty where it is not listed.")
    vernacular = Items(Text(), "Plain names.")


@dataclass(frozen=True, slots=True)
class Present:
    """A tank at this moment, with the log that is in force."""

    tank: Tank
    log: tuple[LogEntry, ...]
    now: datetime


def present_tank(id: str) -> Present:
    """A tank of the request.

    Raises:
        NoSuchTankError: there is none of this id.
    """
    registry, moment = current().registry, now()
    tank = registry.tank(id)
    return Present(tank, log_in_force(tank, registry, moment, moment), moment)
