"""What each key of the configuration may be: marshmallow schemas over the values."""

from __future__ import annotations

import math
import zoneinfo
from datetime import UTC
from itertools import pairwise
from typing import Any

from marshmallow import ValidationError, post_load, validates_schema
from marshmallow import fields as f
from marshmallow.validate import OneOf, Range

from service.config.fields import (
    TOPIC_LEVELS,
    Section,
    number,
    one_of,
    text,
    whole_number,
    whole_text,
)
from service.config.integrations import IntegrationSchema, check_distinct
from service.config.values import (
    AdviceConfig,
    ClockConfig,
    Config,
    HttpConfig,
    IngestConfig,
    MqttConfig,
    PicturesConfig,
    RegistryConfig,
    RouteConfig,
    SensorConfig,
    StoreConfig,
)
from service.units import QUANTITIES

FORMATS = ("auto", "number", "json", "senml", "line")


def _retention_days(more: str) -> f.Float:
    return f.Float(
        validate=Range(1, 36_500),
        metadata={
            "allowed": f"with sqlite:/// only: days from 1 to 36500{more}; for ever without the key"
        },
    )


class _StoreSchema(Section):
    target = StoreConfig
    url = text(
        "sqlite:///PATH, influx://HOST:PORT/BUCKET or victoriametrics://HOST:PORT",
        r"(sqlite:///.+|(influxs?|victoriametricss?)://.+)",
    )
    keep_raw_days = _retention_days("")
    keep_minute_days = _retention_days(", no fewer than keep_raw_days")
    keep_hour_days = _retention_days(", no fewer than keep_minute_days")
    keep_day_days = _retention_days(", no fewer than keep_hour_days")

    @validates_schema
    def _check_retention(self, data: dict[str, Any], **_: Any) -> None:
        """Each rollup is computed from the finer one, which must not outlive it."""
        keys = [key for key in self.fields if key.startswith("keep_")]
        url = data.get("url", StoreConfig().url)
        faults = [key for key in keys if key in data and not url.startswith("sqlite:")]
        for finer, coarser in pairwise(keys):
            if data.get(coarser, math.inf) < data.get(finer, math.inf):
                faults.append(coarser)
        if faults:
            raise ValidationError({key: ["is not allowed"] for key in faults})


class _RegistrySchema(Section):
    target = RegistryConfig
    url = text(
        "sqlite:///PATH or postgresql+psycopg://USER@HOST/DATABASE",
        r"(sqlite:///.+|postgresql(\+psycopg)?://.+)",
    )
    keep_audit_days = number(1, 36_500, "days")


class _PicturesSchema(Section):
    target = PicturesConfig
    folder = text("a path", none=True)
    picture_mb = number(0.1, 20, "MB")
    megapixels = whole_number(1, 200)
    tank_mb = number(1, 1_000_000, "MB")


class _MqttSchema(Section):
    target = MqttConfig
    url = text("mqtt://HOST[:PORT] or mqtts://HOST[:PORT]", r"mqtts?://[^/\s]+/?")
    client_id = text("1 to 64 letters, digits, - or _", r"[A-Za-z0-9_-]{1,64}")
    username = text("a text", none=True)
    password = text("a text", none=True)
    ca_file = text("a path", none=True)
    cert_file = text("a path", none=True)
    key_file = text("a path", none=True)
    protocol = one_of("5", "3.1.1")
    qos = whole_number(0, 1)
    keepalive_s = whole_number(5, 3600)
    session_expiry_s = whole_number(0, 4_294_967_295)
    prefix = text("topic levels without wildcards, as in littoral", TOPIC_LEVELS)
    max_packet_kb = whole_number(16, 262_144)


class _IngestSchema(Section):
    target = IngestConfig
    batch_size = whole_number(1, 100_000)
    batch_age_s = number(0.01, 60, "s")
    spool_path = text("a path")
    spool_max_mb = number(1, 1_000_000, "MB")
    max_inflight = whole_number(1, 65_535)
    shared_group = text("1 to 64 letters, digits, - or _", r"[A-Za-z0-9_-]{1,64}", none=True)
    late_after_s = number(1, 31_536_000, "s")
    future_s = number(0, 86_400, "s")
    rejections_kept = whole_number(0, 1_000_000)
    sensors_per_tank = whole_number(1, 1000)
    new_sensors_per_hour = whole_number(1, 1000)


def _check_zone(name: str) -> None:
    if name not in zoneinfo.available_timezones():
        raise ValidationError("is not known")


_TANK = ("a tank id: 1 to 64 of a-z, 0-9 and -", r"[a-z0-9-]{1,64}")
_SENSOR = ("1 to 64 of a-z, 0-9, - and _", r"[a-z0-9_-]{1,64}")


def _quantity() -> f.String:
    return f.String(
        validate=OneOf(list(QUANTITIES)),
        allow_none=True,
        metadata={"allowed": ", ".join(QUANTITIES)},
    )


def _clock_offset_s() -> f.Float:
    return number(-86_400 * 31, 86_400 * 31, "s")


def _zone() -> f.String:
    return f.String(
        validate=_check_zone,
        allow_none=True,
        metadata={"allowed": "a name of the IANA time zone database, such as Europe/Lisbon"},
    )


class _RouteSchema(Section):
    target = RouteConfig
    topic = f.String(
        required=True,
        validate=whole_text(r"[^\s].{0,255}"),
        metadata={"allowed": "an MQTT topic filter; {tank}, {quantity}, {sensor} name a level"},
    )
    tank = text(*_TANK, none=True)
    quantity = _quantity()
    sensor = text(*_SENSOR, none=True)
    format = one_of(*FORMATS)
    path = text("a dotted path such as data.temperature", none=True)
    time_path = text("a dotted path such as data.time", none=True)
    sequence_path = text("a dotted path such as data.count", none=True)
    unit = text("a unit such as degF", none=True)
    names = f.Dict(
        keys=f.String(),
        values=f.String(validate=OneOf(list(QUANTITIES))),
        metadata={"allowed": f"WORD = one of {', '.join(QUANTITIES)}"},
    )
    clock_offset_s = _clock_offset_s()
    time_zone = _zone()


class _SensorSchema(Section):
    target = SensorConfig
    tank = text(*_TANK, required=True)
    sensor = text(*_SENSOR, required=True)
    quantity = _quantity()
    clock_offset_s = _clock_offset_s()
    time_zone = _zone()


class _HttpSchema(Section):
    target = HttpConfig
    host = text("an address or host name", r"[A-Za-z0-9_.:-]+")
    port = whole_number(0, 65_535)
    threads = whole_number(1, 256)
    listeners = whole_number(0, 256)
    listeners_per_address = whole_number(1, 256)
    connections = whole_number(8, 4096)
    connections_per_address = whole_number(1, 4096)
    trusted_proxy = text("an IP address", r"[0-9A-Fa-f.:]+", none=True)
    public_url = text(
        "https://HOST[:PORT] or http://HOST[:PORT], as people reach the service; nothing after it",
        r"https?://([A-Za-z0-9.-]+|\[[0-9a-fA-F:]+\])(:[0-9]{1,5})?/?",
        none=True,
    )
    writes_per_minute = whole_number(1, 1_000_000)
    calculations_per_minute = whole_number(1, 1_000_000)
    refusals_per_minute = whole_number(1, 10_000)
    session_idle_hours = number(0.1, 2160, "h")
    session_days = number(0.01, 366, "d")


class _AdviceSchema(Section):
    target = AdviceConfig
    every_s = number(0.1, 86_400, "s")
    publish = f.Boolean(metadata={"allowed": "true or false"})


class _ClockSchema(Section):
    target = ClockConfig
    speed = number(0.001, 100_000, "")
    origin = f.AwareDateTime(
        default_timezone=UTC, allow_none=True, metadata={"allowed": "an RFC 3339 time"}
    )
    started = f.AwareDateTime(
        default_timezone=UTC, allow_none=True, metadata={"allowed": "an RFC 3339 time"}
    )


class ConfigSchema(Section):
    target = Config
    store = f.Nested(_StoreSchema)
    registry = f.Nested(_RegistrySchema)
    pictures = f.Nested(_PicturesSchema)
    mqtt = f.Nested(_MqttSchema)
    ingest = f.Nested(_IngestSchema)
    routes = f.List(f.Nested(_RouteSchema), data_key="route")
    sensors = f.List(f.Nested(_SensorSchema), data_key="sensor")
    http = f.Nested(_HttpSchema)
    advice = f.Nested(_AdviceSchema)
    clock = f.Nested(_ClockSchema)
    integrations = f.List(f.Nested(IntegrationSchema), data_key="integration")

    @validates_schema
    def _check_integrations(self, data: dict[str, Any], **_: Any) -> None:
        check_distinct(data.get("integrations", []))

    @post_load
    def _build(self, data: dict[str, Any], **_: Any) -> Any:
        lists: dict[str, Any] = {
            name: tuple(data[name])
            for name in ("routes", "sensors", "integrations")
            if name in data
        }
        return Config(**{**data, **lists})
