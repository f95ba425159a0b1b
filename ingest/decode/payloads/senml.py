"""SenML JSON packs (RFC 8428): base values resolved, each record a value of its own.

What is read: ``bn bt bu bv bver n u v t``. Sums (``bs s``) and update times (``ut``) name no value
about the water and are passed over; text, truth and data values are no numbers.
"""

from __future__ import annotations

import math
import re
from typing import Any, Final

from marshmallow import INCLUDE, Schema, ValidationError, fields, validate

from ingest.decode.message import PayloadError, Reason
from ingest.decode.payloads.record import Parsed, Record

#: RFC 8428, section 4.1, Base Version: the version that RFC defines.
_VERSION: Final = 10
#: RFC 8428, section 4.5.3: a time below this is relative to the present.
_ABSOLUTE_FROM_S: Final = 2.0**28
#: RFC 8428, section 4.5.1.
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_BASE: Final = ("bn", "bt", "bu", "bv", "bs", "bver")
_VALUES: Final = ("v", "vs", "vb", "vd")
_RECORDS_LIMIT: Final = 10_000


class _Number(fields.Float):
    """A JSON number: no text, no truth value, finite."""

    def _validated(self, value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.make_error("invalid", input=value)
        number = super()._validated(value)
        assert number is not None
        return number


class RecordSchema(Schema):
    """One SenML record as it is in a pack, unknown labels included."""

    class Meta:
        unknown = INCLUDE

    bn = fields.String()
    bt = _Number()
    bu = fields.String()
    bv = _Number()
    bs = _Number()
    bver = fields.Integer(strict=True, validate=validate.Range(min=1))
    n = fields.String()
    u = fields.String()
    v = _Number()
    vs = fields.String()
    vb = fields.Boolean(truthy={True}, falsy={False})
    vd = fields.String()
    s = _Number()
    t = _Number()
    ut = _Number()


_SCHEMA: Final = RecordSchema()


def read_pack(document: Any) -> Parsed:
    """Resolve a SenML pack.

    Args:
        document: the JSON document: an array of records.

    Returns:
        Its numbers with full name, unit and time, in order of time; and the faults of the
        records that have none.

    Raises:
        PayloadError: the pack as a whole must not be used.
    """
    if not isinstance(document, list) or not document:
        raise PayloadError(Reason.BAD_SENML, "payload is no SenML pack: an array of records")
    if len(document) > _RECORDS_LIMIT:
        raise PayloadError(
            Reason.TOO_LARGE, f"pack has {len(document)} records; allowed: {_RECORDS_LIMIT}"
        )
    base: dict[str, Any] = {}
    timed: list[tuple[float, Record]] = []
    faults: list[PayloadError] = []
    for index, entry in enumerate(document):
        try:
            loaded = _load(entry, index)
            base |= {label: loaded[label] for label in _BASE if label in loaded}
            if not set(loaded) <= set(_BASE):
                timed.append(_resolve(loaded, base, index))
        except PayloadError as error:
            if error.reason == Reason.BAD_SENML:
                raise
            faults.append(error)
    # RFC 8428, section 4.6: resolved records are in chronological order.
    timed.sort(key=lambda pair: pair[0])
    return Parsed(tuple(record for _, record in timed), tuple(faults))


def _load(entry: Any, index: int) -> dict[str, Any]:
    """Check one record by the schema.

    Raises:
        PayloadError: ``BAD_SENML`` where the whole pack must not be used, else for this record.
    """
    if not isinstance(entry, dict):
        raise PayloadError(Reason.BAD_SENML, f"record {index} is no JSON object")
    for label in entry:
        # RFC 8428, section 4.4: unknown labels are ignored, but for these.
        if label.endswith("_"):
            raise PayloadError(
                Reason.BAD_SENML,
                f"record {index} has the label {label!r:.40}, which demands to be understood",
            )
    try:
        loaded: dict[str, Any] = _SCHEMA.load(entry)
    except ValidationError as error:
        assert isinstance(error.messages, dict)
        label = sorted(error.messages, key=lambda name: name not in _BASE)[0]
        reason = Reason.BAD_SENML if label in _BASE else Reason.NOT_A_NUMBER
        raise PayloadError(
            reason, f"record {index}: {label} is {entry[label]!r:.40}; {error.messages[label][0]}"
        ) from error
    if loaded.get("bver", _VERSION) > _VERSION:
        raise PayloadError(Reason.BAD_SENML, f"bver is {loaded['bver']}; allowed: up to {_VERSION}")
    return loaded


def _resolve(loaded: dict[str, Any], base: dict[str, Any], index: int) -> tuple[float, Record]:
    """Apply the base values to one record; returns its time, and the record."""
    name = base.get("bn", "") + loaded.get("n", "")
    if not _NAME.fullmatch(name):
        raise PayloadError(
            Reason.NO_VALUE,
            f"record {index} has the name {name!r:.60}; allowed: letters, digits and -:./_",
        )
    given = [label for label in _VALUES if label in loaded]
    if len(given) > 1:
        raise PayloadError(
            Reason.NO_VALUE, f"record {index} ({name:.60}) has {' and '.join(given)}; allowed: one"
        )
    if not given and "bv" not in base:
        raise PayloadError(Reason.NO_VALUE, f"record {index} ({name:.60}) has no value")
    if given not in (["v"], []):
        raise PayloadError(
            Reason.NOT_A_NUMBER,
            f"record {index} ({name:.60}): {given[0]} is {loaded[given[0]]!r:.40}; allowed: v",
        )
    value = base.get("bv", 0.0) + loaded.get("v", 0.0)
    time_s = base.get("bt", 0.0) + loaded.get("t", 0.0)
    if not math.isfinite(value) or not math.isfinite(time_s):
        raise PayloadError(Reason.NOT_FINITE, f"record {index} ({name:.60}) is not finite")
    record = Record(value, loaded.get("u", base.get("bu")), name=name)
    if time_s >= _ABSOLUTE_FROM_S:
        return time_s, record._replace(time=time_s)
    # The present counts as after every absolute time.
    sort_s = math.inf if time_s == 0 else time_s
    return sort_s, record if time_s == 0 else record._replace(ago_us=round(-time_s * 1e6))
