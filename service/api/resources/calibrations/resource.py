"""``/v1/tanks/{tank}/calibrations``: what the calibrations in the log found, and their undo."""

from __future__ import annotations

from typing import Any

from service.api.context import current
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import ENTRY, TANK
from service.api.resources.calibrations.undo import undo_calibration
from service.registry.log.entry_text import entry_text
from service.registry.models.log import LogEntry, LogKind
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items
from service.schemas.fields import Text, Whole
from service.schemas.times import Moment

blueprint = Blueprint(
    "calibrations",
    __name__,
    url_prefix="/v1/tanks/<tank>/calibrations",
    description="Calibrations of a tank's sensors.",
)


class CalibrationSchema(AnswerSchema):
    """A calibration of the log, in words."""

    id = Text("Of the log entry.")
    time = Moment()
    quantity = Text()
    sensor = Text()
    text = Text("What was entered.", longest=2000)
    by = Text()


class CalibrationsSchema(AnswerSchema):
    """The calibrations of a tank, newest first."""

    tank = Text()
    calibrations = Items(CalibrationSchema)
    next = Text(allow_none=True)


class UndoneSchema(AnswerSchema):
    """What became of the readings since a calibration that was taken back."""

    id = Text("Of the log entry, which is deleted.")
    readings = Whole("Readings since.", low=0, high=2**53)
    changed = Whole("Those of another value or flag now.", low=0, high=2**53)


@blueprint.at("", "GET", parameters=TANK)
@blueprint.answers(200, CalibrationsSchema)
def calibrations(tank: str) -> dict[str, Any]:
    """The calibrations of a tank, newest first"""
    return {"tank": tank, "calibrations": shown_calibrations(tank), "next": None}


@blueprint.at("/<entry>", "DELETE", parameters=[*TANK, *ENTRY])
@blueprint.answers(200, UndoneSchema)
@blueprint.also_answers(409, description="It is too old to be taken back at once.")
def undo(tank: str, entry: str) -> With:
    """Take back a calibration that was wrong

    Its log entry is deleted, and the readings since are calculated anew from what the sensor sent,
    by the calibrations that are left.
    """
    context = current()
    context.registry.tank(tank)
    deleted, done = undo_calibration(context, tank, entry)
    context.nudge()
    return With(done, id=deleted.id)


def shown_calibrations(tank: str) -> list[With]:
    """The calibrations of a tank with their words, newest first."""
    entries = current().registry.log(tank, kinds=[LogKind.CALIBRATION], limit=200)
    return [_shown(one) for one in entries]


def _shown(entry: LogEntry) -> With:
    return With(
        entry,
        quantity=str(entry.data.get("quantity", "ph")),
        sensor=str(entry.data.get("sensor", "main")),
        text=entry_text(entry),
    )
