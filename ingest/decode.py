"""One message -> the samples it carries and the rejections it deserves; pure."""

from __future__ import annotations

import sys
from collections.abc import Container, Sequence
from typing import Final, NamedTuple

from ingest.conversion import scale_of, scaled
from ingest.message import Message, PayloadError, Reason, rejection
from ingest.payloads import Record, parse
from ingest.payloads.times import time_us_of
from ingest.routes import DEFAULT_SENSOR, Target, sensor_name
from service.store import Flag
from service.tanks.values import Rejection
from service.units import QUANTITIES


class Sample(NamedTuple):
    """One measured value before calibration and before any doubt of its own.

    Attributes:
        value: in the canonical unit, or in the raw scale.
        raw: the raw scale (``mV``, ``lx``) that calibration has to turn into the quantity; None
            where the value is canonical.
        time_us: the device's time; None where it says none, or none that can be read.
        doubt: ``CLOCK`` where the device's time could not be read.
    """

    tank: str
    quantity: str
    sensor: str
    value: float
    raw: str | None = None
    time_us: int | None = None
    doubt: Flag = Flag.NONE


class Decoded(NamedTuple):
    """What became of one message."""

    samples: Sequence[Sample]
    rejections: Sequence[Rejection]


NOTHING: Final = Decoded((), ())
_LARGEST: Final = sys.float_info.max


def decode(message: Message, targets: Sequence[Target], tanks: Container[str]) -> Decoded:
    """Take a message apart.

    Args:
        message: as it came.
        targets: where its topic leads (``Router.targets``); none: it is not for us.
        tanks: ids of the registered tanks.

    Returns:
        Samples in the order of the payload, and one rejection for each part that is none.
    """
    if not targets:
        return NOTHING
    if len(targets) == 1:
        target = targets[0]
        if target.scale is not None and target.tank in tanks:
            sample = _plain(message.payload, target)
            if sample is not None:
                return Decoded((sample,), ())
        return _by_target(message, target, tanks)
    parts = [_by_target(message, target, tanks) for target in targets]
    return Decoded(
        [sample for part in parts for sample in part.samples],
        [refused for part in parts for refused in part.rejections],
    )


def _plain(payload: bytes, target: Target) -> Sample | None:
    """The usual case, read fast: a plain number for a topic that says all else."""
    try:
        value = float(payload)
    except ValueError:
        return None
    scale = target.scale
    # Python takes 1_000 for a number; nobody else does.
    if scale is None or b"_" in payload:
        return None
    value = value * scale.gain + scale.offset
    if not -_LARGEST <= value <= _LARGEST:
        return None
    assert target.tank is not None
    assert target.quantity is not None
    return Sample(target.tank, target.quantity, target.sensor or DEFAULT_SENSOR, value, scale.raw)


def _by_target(message: Message, target: Target, tanks: Container[str]) -> Decoded:
    try:
        if target.fault is not None:
            raise PayloadError(*target.fault)
        if target.tank is not None:
            _check_tank(target.tank, tanks)
        parsed = parse(message.payload, target.format, target.path, target.time_path)
    except PayloadError as error:
        return Decoded((), (_refused(message, target, error),))
    samples, faults = [], list(parsed.faults)
    for record in parsed.records:
        try:
            samples.append(_sample(record, target, tanks))
        except PayloadError as error:
            faults.append(error)
    return Decoded(samples, [_refused(message, target, error) for error in faults])


def _sample(record: Record, target: Target, tanks: Container[str]) -> Sample:
    tank = target.tank
    if tank is None:
        tank = record.tank or ""
        _check_tank(tank, tanks)
    quantity = target.quantity or record.quantity
    quantity = target.names.get(quantity, quantity) if quantity is not None else None
    if quantity not in QUANTITIES:
        raise PayloadError(
            Reason.UNKNOWN_QUANTITY,
            f"quantity is {quantity!r:.60}; allowed: {', '.join(QUANTITIES)}, named by the "
            "topic, the route or the payload",
        )
    sensor = target.sensor or (sensor_name(record.sensor) if record.sensor else DEFAULT_SENSOR)
    scale = scale_of(quantity, record.unit or target.unit)
    value = scaled(scale, record.value)
    time_us, doubt = record.time_us, Flag.NONE
    if record.time is not None:
        try:
            time_us = time_us_of(record.time)
        except ValueError:
            doubt = Flag.CLOCK
    return Sample(tank, quantity, sensor, value, scale.raw, time_us, doubt)


def _check_tank(tank: str, tanks: Container[str]) -> None:
    if tank not in tanks:
        raise PayloadError(
            Reason.UNKNOWN_TANK, f"tank is {tank!r:.80}; allowed: the id of a registered tank"
        )


def _refused(message: Message, target: Target, error: PayloadError) -> Rejection:
    return rejection(
        message, error.reason, error.detail, source=target.source, tank=target.tank or ""
    )
