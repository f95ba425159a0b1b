"""Decodes messages to samples: finds the route, parses the payload, converts the units."""

from __future__ import annotations

import hashlib
import logging
import sys
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from typing import Final

from ingest.decode.message import (
    PAYLOAD_LIMIT_BYTES,
    FirstDelivery,
    Message,
    PayloadError,
    Reason,
    internal_rejection,
    rejection,
)
from ingest.decode.payloads import Record, parse
from ingest.decode.record_series import RecordSeries, series_of
from ingest.decode.routes import Router, Target
from ingest.decode.sample import Arrival, Decoded, Sample
from ingest.decode.two_values import two_values
from ingest.decode.units import conversion_to, converted
from service.quantities import QUANTITIES
from service.registry.models.ingest import Rejection
from service.store import DEFAULT_SENSOR, Flag

_log = logging.getLogger(__name__)
_NOTHING: Final = Decoded((), ())
_LARGEST: Final = sys.float_info.max
#: Topics of which the last retained message is remembered.
_RETAINED: Final = 10_000


class Decoder:
    """Decodes batches of MQTT messages; used by one thread."""

    def __init__(
        self,
        router: Router,
        tanks: Container[str],
        first_delivery: Callable[[Message], FirstDelivery | None],
    ) -> None:
        """Start without memory.

        Args:
            tanks: ids of the registered tanks.
            first_delivery: how a message was processed before, None if it was not.
        """
        self._router = router
        self._tanks = tanks
        self._first_delivery = first_delivery
        #: digest of a topic -> digest of its payload: strangers choose the length of both.
        self._retained: dict[bytes, bytes] = {}

    def use(self, router: Router) -> None:
        """Decode by other routes from now on."""
        self._router = router

    def decode(self, messages: Sequence[Message]) -> Iterator[Arrival]:
        """Decode messages one by one; those that are not for us, or repeated, are left out.

        A message that cannot be decoded because of a fault of ours becomes a rejection: else
        the broker would send it for ever.
        """
        seen: set[tuple[str, bytes]] = set()
        for message in _without_copies(messages):
            try:
                targets = self._router.targets(message.topic)
                if not targets or (message.retain and self._is_repeated(message)):
                    continue
                first = self._first_delivery(message) if message.dup else None
                if first is not None:
                    message = message._replace(arrival_us=first.arrival_us)
                samples, rejections, numbered = decode(message, targets, self._tanks)
                if numbered:
                    identity = (message.topic, message.payload)
                    if identity in seen:
                        continue
                    seen.add(identity)
                    message = message._replace(numbered=True)
                    first = first or self._first_delivery(message)
                    if first is not None:
                        message = message._replace(arrival_us=first.arrival_us)
            except Exception as error:  # noqa: BLE001 - see above
                _log.exception("a message on %s cannot be decoded", message.topic)
                yield Arrival(message, (), (internal_rejection(message, error),))
            else:
                source = targets[0].route.source if len(targets) == 1 else ""
                yield Arrival(message, samples, rejections, source, first)

    def _is_repeated(self, message: Message) -> bool:
        """Whether this very retained message came already: a reconnect brings it again."""
        topic = _digest(message.topic.encode("utf-8", "surrogatepass"))
        payload = _digest(message.payload)
        if self._retained.get(topic) == payload:
            return True
        if len(self._retained) >= _RETAINED:
            self._retained.clear()
        self._retained[topic] = payload
        return False


def _digest(data: bytes) -> bytes:
    return hashlib.blake2b(data, digest_size=16).digest()


def _without_copies(messages: Sequence[Message]) -> Iterable[Message]:
    """Leave out redeliveries of messages of the same batch: a reconnect can bring both."""
    if not any(message.dup for message in messages):
        return messages
    seen: set[tuple[int, str, bytes]] = set()
    chosen = []
    for message in messages:
        identity = (message.mid, message.topic, message.payload)
        if not (message.dup and identity in seen):
            chosen.append(message)
        if message.qos:
            seen.add(identity)
    return chosen


def decode(message: Message, targets: Sequence[Target], tanks: Container[str]) -> Decoded:
    """Decode one message.

    Args:
        message: as it came.
        targets: where its topic leads (``Router.targets``); none: it is not for us.
        tanks: ids of the registered tanks.

    Returns:
        Samples in the order of the payload, and one rejection for each part that is none.
    """
    if not targets:
        return _NOTHING
    if message.too_large:
        return Decoded((), (_refused(message, targets[0], _too_large(message)),))
    if len(targets) == 1:
        target = targets[0]
        if target.conversion is not None and target.tank in tanks:
            sample = _plain(message.payload, target)
            if sample is not None:
                return Decoded((sample,), ())
        return _one_value_each(_by_target(message, target, tanks), message, target)
    parts = [_by_target(message, target, tanks) for target in targets]
    together = Decoded(
        [sample for part in parts for sample in part.samples],
        [refused for part in parts for refused in part.rejections],
        any(part.numbered for part in parts),
    )
    return _one_value_each(together, message, targets[0])


def _plain(payload: bytes, target: Target) -> Sample | None:
    """The usual case, read fast: a plain number on a topic that names all else."""
    try:
        value = float(payload)
    except ValueError:
        return None
    conversion = target.conversion
    # Python takes 1_000 for a number; nobody else does.
    if conversion is None or b"_" in payload:
        return None
    value = value * conversion.gain + conversion.offset
    if not -_LARGEST <= value <= _LARGEST:
        return None
    assert target.tank is not None
    assert target.quantity is not None
    return Sample(
        target.tank, target.quantity, target.sensor or DEFAULT_SENSOR, value, conversion.scale
    )


def _one_value_each(decoded: Decoded, message: Message, target: Target) -> Decoded:
    """Reject values of one series and time that differ."""
    samples, faults = two_values(decoded.samples)
    if not faults:
        return decoded
    refused = [_refused(message, target, error) for error in faults]
    return Decoded(samples, [*decoded.rejections, *refused], decoded.numbered)


def _by_target(message: Message, target: Target, tanks: Container[str]) -> Decoded:
    try:
        if target.fault is not None:
            raise PayloadError(*target.fault)
        if target.tank is not None:
            _check_tank(target.tank, tanks)
        parsed = parse(message.payload, target.route.format, target.route.paths)
    except PayloadError as error:
        return Decoded((), (_refused(message, target, error),))
    return decode_records(parsed.records, message, target, tanks, parsed.faults)


def decode_records(
    records: Iterable[Record],
    message: Message,
    target: Target,
    tanks: Container[str],
    faults: Iterable[PayloadError] = (),
) -> Decoded:
    """Convert records that are parsed already.

    Args:
        message: which brought them.
        target: what the topic or the route names.
        tanks: ids of the registered tanks.
        faults: of further records that could not be parsed.
    """
    samples, found, numbered, ignored = [], list(faults), False, []
    for record in records:
        numbered = numbered or record.numbered
        try:
            series = series_of(record, target)
            if record.optional and series.quantity not in QUANTITIES:
                ignored.append(record.quantity or "")
                continue
            samples.append(_sample(record, series, message, target, tanks))
        except PayloadError as error:
            found.append(error)
    if ignored and not samples and not found:
        found.append(_nothing_known(ignored, target))
    refused = [_refused(message, target, error) for error in found]
    return Decoded(samples, refused, numbered)


def _nothing_known(keys: Sequence[str], target: Target) -> PayloadError:
    """The fault of a document in which no key means a quantity."""
    shown = ", ".join(f"{key:.40}" for key in sorted(keys)[:8])
    allowed = ", ".join([*target.route.names, *QUANTITIES])
    return PayloadError(
        Reason.NO_VALUE,
        f"payload has the keys {shown}; allowed: value, or keys that name quantities: {allowed}",
    )


def _sample(
    record: Record, series: RecordSeries, message: Message, target: Target, tanks: Container[str]
) -> Sample:
    tank = target.tank
    if tank is None:
        tank = record.tank or ""
        _check_tank(tank, tanks)
    quantity = series.quantity
    if quantity not in QUANTITIES:
        what, allowed = record.name or record.quantity, [*target.route.names, *QUANTITIES]
        raise PayloadError(
            Reason.UNKNOWN_QUANTITY,
            f"quantity is {what!r:.60}; allowed: {', '.join(allowed)}, named "
            "by the topic, the route or the payload",
        )
    conversion = conversion_to(quantity, record.unit or target.route.unit or series.unit)
    value = converted(conversion, record.value)
    time_us, doubt = None, Flag.NONE
    if record.time is not None:
        try:
            clock = target.route.clock_of(tank, quantity, series.sensor)
            time_us = clock.time_us(record.time, message.arrival_us)
        except ValueError:
            doubt = Flag.CLOCK
    elif record.ago_us is not None and not message.retain:
        time_us = message.arrival_us - record.ago_us
    return Sample(tank, quantity, series.sensor, value, conversion.scale, time_us, doubt)


def _check_tank(tank: str, tanks: Container[str]) -> None:
    if tank not in tanks:
        raise PayloadError(
            Reason.UNKNOWN_TANK, f"tank is {tank!r:.80}; allowed: the id of a registered tank"
        )


def _too_large(message: Message) -> PayloadError:
    return PayloadError(
        Reason.TOO_LARGE,
        f"packet has {message.too_large} bytes; allowed: up to mqtt.max_packet_kb, and "
        f"{PAYLOAD_LIMIT_BYTES} for the payload",
    )


def _refused(message: Message, target: Target, error: PayloadError) -> Rejection:
    return rejection(
        message, error.reason, error.detail, source=target.route.source, tank=target.tank or ""
    )
