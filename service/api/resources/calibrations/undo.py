"""Takes a calibration back: its log entry is deleted, and the readings since are judged anew."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

from ingest.process import order_of_belief
from ingest.tools.recalculation import Recalculated, recalculate
from service.api.context import Context
from service.errors import ConflictError, InvalidInputError, NotFoundError
from service.registry.audit import Action, AuditedWrite
from service.registry.log.calibration import read_calibration
from service.registry.models.log import LogEntry, LogKind
from service.store import SeriesKey
from service.times import to_us

LONGEST: Final = timedelta(days=62)
"""Readings of so many days are recalculated while somebody waits. Our choice."""


def undo_calibration(context: Context, tank: str, id: str) -> tuple[LogEntry, Recalculated]:
    """Recalculate the readings since without a calibration that was wrong, and delete it.

    The deletion comes last: where the store does not take all readings, the calibration is still
    there to be taken back.

    Raises:
        NotFoundError: no calibration of this tank has this id.
        ConflictError: it is too old to be taken back while somebody waits.
        StoreUnavailableError, StoreRefusedError: as the store finds.
    """
    registry, now = context.registry, context.clock.now()
    entry = registry.log_entry(id)
    if entry.tank != tank or entry.kind is not LogKind.CALIBRATION:
        raise NotFoundError(f"calibration is {id!r:.80}; allowed: the id of one of {tank}")
    if now - entry.time > LONGEST:
        raise ConflictError(
            f"this calibration is older than {LONGEST.days} days: delete its log entry, then "
            f"recalculate with: littoral recalibrate {tank} --from {entry.time:%Y-%m-%d}"
        )
    quantity, done = _recalculated_without(context, entry)
    registry.delete_log(id, tank=tank)
    if done.changed:
        subject = f"tanks/{tank}/readings"
        registry.record(AuditedWrite(Action.READINGS_RECALIBRATED, subject, (quantity,)))
    return entry, done


def _recalculated_without(context: Context, entry: LogEntry) -> tuple[str, Recalculated]:
    """Recalculate the quantity of a calibration since its time by the tank's other ones."""
    registry, tank = context.registry, entry.tank
    try:
        quantity, sensor, calibration = read_calibration(entry.data, to_us(entry.time))
    except InvalidInputError:
        return "", Recalculated(0, 0)  # of an earlier version: it was never applied
    log = registry.log(tank, kinds=[LogKind.CALIBRATION])
    done = recalculate(
        context.store,
        [one for one in log if one.id != entry.id],
        SeriesKey(tank, quantity, sensor.casefold()),
        to_us(entry.time),
        to_us(context.clock.now()) + 1,
        raw_scale=calibration.raw,
        order=order_of_belief(registry.tank(tank).sensors, registry.first_sensors(tank)),
    )
    return quantity, done
