"""What each key of the configuration may be: marshmallow schemas over the values."""

from __future__ import annotations

import math
from datetime import UTC
from itertools import pairwise
from typing import Any

from marshmallow import Schema, ValidationError, post_load, validates_schema
from marshmallow import fields as f
from marshmallow.validate import Length, OneOf, Range, Regexp

from service.config.values import (
    AdviceConfig,
    ClockConfig,
    Config,
    HttpConfig,
    IngestConfig,
    MqttConfig,
    OutletConfig,
    RegistryConfig,
    RouteConfig,
    StoreConfig,
)
from service.units import QUANTITIES

FORMATS = ("auto", "number", "json", "senml", "line")


class _Section(Schema):
    """A section of the file; unknown keys are refused (marshmallow's default, kept)."""

    target: type[Any]

    @post_load
    def _build(self, data: dict[str, Any], **_: Any) -> Any:
        return self.target(**data)


def _whole_text(pattern: str) -> Regexp:
    return Regexp(rf"(?:{pattern})\Z")  # marshmallow matches only the beginning


def _text(allowed: str, pattern: str | None = None, *, none: bool = False) -> f.String:
    checks = [_whole_text(pattern)] if pattern else [Length(min=1)]
    return f.String(validate=checks, allow_none=none, metadata={"allowed": allowed})


def _number(low: float, high: float, unit: str) -> f.Float:
    return f.Float(
        validate=Range(low, high), metadata={"allowed": f"a number from {low:g} to {high:g} {unit}"}
    )


def _days_kept(more: str) -> f.Float:
    return f.Float(
        validate=Range(1, 36_500),
        metadata={
            "allowed": f"with sqlite:/// only: days from 1 to 36500{more}; for ever without the key"
        },
    )


def _whole(low: int, high: int) -> f.Integer:
    return f.Integer(
        strict=False,
        validate=Range(low, high),
        metadata={"allowed": f"a whole number from {low} to {high}"},
    )


def _one_of(*choices: str) -> f.String:
    return f.String(
        validate=OneOf(choices),
        metadata={"allowed": ", ".join(f'"{choice}"' for choice in choices)},
    )


class _StoreSchema(_Section):
    target = StoreConfig
    url = _text(
        "sqlite:///PATH, influx://HOST:PORT/BUCKET or victoriametrics://HOST:PORT",
        r"(sqlite:///.+|(influxs?|victoriametricss?)://.+)",
    )
    keep_raw_days = _days_kept("")
    keep_minute_days = _days_kept(", no fewer than keep_raw_days")
    keep_hour_days = _days_kept(", no fewer than keep_minute_days")
    keep_day_days = _days_kept(", no fewer than keep_hour_days")

    @validates_schema
    def _check_kept(self, data: dict[str, Any], **_: Any) -> None:
        """Each rollup is computed from the finer one, which must not outlive it."""
        keys = [key for key in self.fields if key.startswith("keep_")]
        url = data.get("url", StoreConfig().url)
        faults = [key for key in keys if key in data and not url.startswith("sqlite:")]
        for finer, coarser in pairwise(keys):
            if data.get(coarser, math.inf) < data.get(finer, math.inf):
                faults.append(coarser)
        if faults:
            raise ValidationError({key: ["is not allowed"] for key in faults})


class _RegistrySchema(_Section):
    target = RegistryConfig
    url = _text(
        "sqlite:///PATH or postgresql+psycopg://USER@HOST/DATABASE",
        r"(sqlite:///.+|postgresql(\+psycopg)?://.+)",
    )


class _MqttSchema(_Section):
    target = MqttConfig
    url = _text("mqtt://HOST[:PORT] or mqtts://HOST[:PORT]", r"mqtts?://[^/\s]+/?")
    client_id = _text("1 to 64 letters, digits, - or _", r"[A-Za-z0-9_-]{1,64}")
    username = _text("a text", none=True)
    password = _text("a text", none=True)
    ca_file = _text("a path", none=True)
    cert_file = _text("a path", none=True)
    key_file = _text("a path", none=True)
    protocol = _one_of("5", "3.1.1")
    qos = _whole(0, 1)
    keepalive_s = _whole(5, 3600)
    session_expiry_s = _whole(0, 4_294_967_295)
    prefix = _text("topic levels without wildcards, as in littoral", r"[^+#\s/]+(/[^+#\s/]+)*")


class _IngestSchema(_Section):
    target = IngestConfig
    batch_size = _whole(1, 100_000)
    batch_age_s = _number(0.01, 60, "s")
    spool_path = _text("a path")
    spool_max_mb = _number(1, 1_000_000, "MB")
    max_inflight = _whole(1, 65_535)
    shared_group = _text("1 to 64 letters, digits, - or _", r"[A-Za-z0-9_-]{1,64}", none=True)
    late_after_s = _number(1, 31_536_000, "s")
    future_s = _number(0, 86_400, "s")
    rejections_kept = _whole(0, 1_000_000)


class _RouteSchema(_Section):
    target = RouteConfig
    topic = f.String(
        required=True,
        validate=_whole_text(r"[^\s].{0,255}"),
        metadata={"allowed": "an MQTT topic filter; {tank}, {quantity}, {sensor} name a level"},
    )
    tank = _text("a tank id: 1 to 64 of a-z, 0-9 and -", r"[a-z0-9-]{1,64}", none=True)
    quantity = f.String(
        validate=OneOf(list(QUANTITIES)),
        allow_none=True,
        metadata={"allowed": ", ".join(QUANTITIES)},
    )
    sensor = _text("1 to 64 of a-z, 0-9, - and _", r"[a-z0-9_-]{1,64}", none=True)
    format = _one_of(*FORMATS)
    path = _text("a dotted path such as data.temperature", none=True)
    time_path = _text("a dotted path such as data.time", none=True)
    unit = _text("a unit such as degF", none=True)
    names = f.Dict(
        keys=f.String(),
        values=f.String(validate=OneOf(list(QUANTITIES))),
        metadata={"allowed": f"WORD = one of {', '.join(QUANTITIES)}"},
    )


class _HttpSchema(_Section):
    target = HttpConfig
    host = _text("an address or host name", r"[A-Za-z0-9_.:-]+")
    port = _whole(0, 65_535)
    threads = _whole(1, 256)
    listeners = _whole(0, 256)
    trusted_proxy = _text("an IP address", r"[0-9A-Fa-f.:]+", none=True)
    writes_per_minute = _whole(1, 1_000_000)
    refusals_per_minute = _whole(1, 10_000)


class _AdviceSchema(_Section):
    target = AdviceConfig
    every_s = _number(0.1, 86_400, "s")
    publish = f.Boolean(metadata={"allowed": "true or false"})


class _ClockSchema(_Section):
    target = ClockConfig
    speed = _number(0.001, 100_000, "")
    origin = f.AwareDateTime(
        default_timezone=UTC, allow_none=True, metadata={"allowed": "an RFC 3339 time"}
    )
    started = f.AwareDateTime(
        default_timezone=UTC, allow_none=True, metadata={"allowed": "an RFC 3339 time"}
    )


class _OutletSchema(_Section):
    target = OutletConfig
    kind = f.String(
        required=True,
        validate=OneOf(["webhook", "homie", "hub"]),
        metadata={"allowed": "webhook, homie, hub"},
    )
    name = f.String(
        required=True,
        validate=_whole_text(r"[a-z0-9-]{1,64}"),
        metadata={"allowed": "1 to 64 of a-z, 0-9 and -"},
    )
    options = f.Dict(keys=f.String(), metadata={"allowed": "a table of options"})


class ConfigSchema(_Section):
    target = Config
    store = f.Nested(_StoreSchema)
    registry = f.Nested(_RegistrySchema)
    mqtt = f.Nested(_MqttSchema)
    ingest = f.Nested(_IngestSchema)
    routes = f.List(f.Nested(_RouteSchema), data_key="route")
    http = f.Nested(_HttpSchema)
    advice = f.Nested(_AdviceSchema)
    clock = f.Nested(_ClockSchema)
    outlets = f.List(f.Nested(_OutletSchema), data_key="outlet")

    @post_load
    def _build(self, data: dict[str, Any], **_: Any) -> Any:
        lists: dict[str, Any] = {
            name: tuple(data[name]) for name in ("routes", "outlets") if name in data
        }
        return Config(**{**data, **lists})
