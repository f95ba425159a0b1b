"""One message -> the samples it carries and the rejections it deserves; pure."""

from __future__ import annotations

import sys
from collections.abc import Container, Sequence
from typing import Final, NamedTuple

from ingest.decode.message import Message, PayloadError, Reason, rejection
from ingest.decode.payloads import Record, parse
from ingest.decode.payloads.record import split_name
from ingest.decode.payloads.times import time_us_of
from ingest.decode.routes import DEFAULT_SENSOR, Target, sensor_name
from ingest.decode.units import scale_of, scaled
from service.registry.models import Rejection
from service.store import Flag
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
            samples.append(_sample(record, message, target, tanks))
        except PayloadError as error:
            faults.append(error)
    return Decoded(samples, [_refused(message, target, error) for error in faults])


def _sample(record: Record, message: Message, target: Target, tanks: Container[str]) -> Sample:
    tank = target.tank
    if tank is None:
        tank = record.tank or ""
        _check_tank(tank, tanks)
    quantity, sensor = _series(record, target)
    if quantity not in QUANTITIES:
        what = record.name or record.quantity
        raise PayloadError(
            Reason.UNKNOWN_QUANTITY,
            f"quantity is {what!r:.60}; allowed: {', '.join([*target.names, *QUANTITIES])}, named "
            "by the topic, the route or the payload",
        )
    scale = scale_of(quantity, record.unit or target.unit)
    value = scaled(scale, record.value)
    time_us, doubt = None, Flag.NONE
    if record.time is not None:
        try:
            time_us = time_us_of(record.time)
        except ValueError:
            doubt = Flag.CLOCK
    elif record.ago_us is not None and not message.retain:
        time_us = message.arrival_us - record.ago_us
    return Sample(tank, quantity, sensor, value, scale.raw, time_us, doubt)


def _series(record: Record, target: Target) -> tuple[str | None, str]:
    """Quantity and sensor: as the topic or the route says, else as the payload does."""
    quantity, sensor = record.quantity, record.sensor
    if record.name is not None:
        words = {name: name for name in QUANTITIES} | dict(target.names)
        if target.quantity is not None:
            words = {word: word for word in words if words[word] == target.quantity}
        quantity, sensor = split_name(record.name, words)
    if quantity is not None:
        quantity = target.names.get(quantity, quantity)
    if target.sensor is not None:
        sensor = target.sensor
    elif sensor is not None:
        sensor = sensor_name(sensor)
    return target.quantity or quantity, sensor or DEFAULT_SENSOR


def _check_tank(tank: str, tanks: Container[str]) -> None:
    if tank not in tanks:
        raise PayloadError(
            Reason.UNKNOWN_TANK, f"tank is {tank!r:.80}; allowed: the id of a registered tank"
        )


def _refused(message: Message, target: Target, error: PayloadError) -> Rejection:
    return rejection(
        message, error.reason, error.detail, source=target.source, tank=target.tank or ""
    )
