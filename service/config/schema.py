"""What each key of the configuration may be: marshmallow schemas over the values."""

from __future__ import annotations

import math
from datetime import UTC
from itertools import pairwise
from typing import Any, Unpack

from marshmallow import ValidationError, post_load, validates_schema
from marshmallow import fields as f
from marshmallow.validate import Range

from service.config.fields import (
    TOPIC_LEVELS,
    Section,
    Words,
    in_words,
    number,
    one_of,
    text,
    whole_number,
)
from service.config.integrations import IntegrationSchema, check_distinct
from service.config.route_schema import RouteSchema, SensorSchema
from service.config.values import (
    AdviceConfig,
    ClockConfig,
    Config,
    HttpConfig,
    IngestConfig,
    MqttConfig,
    PicturesConfig,
    RegistryConfig,
    StoreConfig,
)


def _retention_days(more: str, **words: Unpack[Words]) -> f.Float:
    allowed = f"with sqlite:/// only: days from 1 to 36500{more}; for ever without the key"
    return f.Float(validate=Range(1, 36_500), metadata=in_words(allowed, words))


class _StoreSchema(Section):
    target = StoreConfig
    url = text(
        "sqlite:///PATH, influx://HOST:PORT/BUCKET or victoriametrics://HOST:PORT",
        r"(sqlite:///.+|(influxs?|victoriametricss?)://.+)",
        about="where readings are stored: sqlite:///PATH, influx://HOST:PORT/BUCKET or victoriametrics://HOST:PORT",
    )
    keep_raw_days = _retention_days(
        "", about="sqlite only; without a key it is kept for ever: readings,", example=400
    )
    keep_minute_days = _retention_days(
        ", no fewer than keep_raw_days", about="their rollups per minute,", example=800
    )
    keep_hour_days = _retention_days(
        ", no fewer than keep_minute_days", about="per hour", example=3650
    )
    keep_day_days = _retention_days(
        ", no fewer than keep_hour_days", about="and per day", example=3650
    )

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
        about="tanks, log, tokens: sqlite:///PATH or postgresql+psycopg://USER@HOST/DATABASE",
    )
    keep_audit_days = number(1, 36_500, "days", about="how long it is stored who wrote what")


class _PicturesSchema(Section):
    target = PicturesConfig
    folder = text(
        "a path",
        none=True,
        about="of this registry alone; else beside its file",
        example="var/pictures",
    )
    picture_mb = number(0.1, 20, "MB", about="the largest file that is taken; up to 20")
    megapixels = whole_number(1, 200, about="the most pixels that one may have")
    tank_mb = number(1, 1_000_000, "MB", about="what those of a tank may take, as they are stored")


class _MqttSchema(Section):
    target = MqttConfig
    url = text(
        "mqtt://HOST[:PORT] or mqtts://HOST[:PORT]",
        r"mqtts?://[^/\s]+/?",
        about="the broker; mqtts://HOST with TLS",
    )
    client_id = text(
        "1 to 64 letters, digits, - or _",
        r"[A-Za-z0-9_-]{1,64}",
        about="the broker keeps this client's session",
    )
    username = text("a text", none=True, about="where the broker asks for one", example="littoral")
    password = text(
        "a text", none=True, about="better in the environment: LITTORAL_MQTT__PASSWORD", example="…"
    )
    ca_file = text(
        "a path",
        none=True,
        about="certificates to trust, where they are not the system's",
        example="/etc/ssl/certs/ca-certificates.crt",
    )
    cert_file = text(
        "a path", none=True, about="only where the broker asks for one", example="client.crt"
    )
    key_file = text("a path", none=True, about="of that certificate", example="client.key")
    protocol = one_of("5", "3.1.1", about='or "3.1.1"')
    qos = whole_number(0, 1, about="0 or 1")
    keepalive_s = whole_number(
        5, 3600, about="how often the connection is tried when nothing comes"
    )
    session_expiry_s = whole_number(
        0, 4_294_967_295, about="how long the broker keeps messages for us"
    )
    prefix = text(
        "topic levels without wildcards, as in littoral",
        TOPIC_LEVELS,
        about="first level(s) of our own topics",
    )
    max_packet_kb = whole_number(16, 262_144, about="larger packets are not taken; 16 to 262144")


class _IngestSchema(Section):
    target = IngestConfig
    batch_size = whole_number(1, 100_000, about="a batch is committed when it is this large …")
    batch_age_s = number(
        0.01, 3600, "s", about="… or so long after the one before; after a pause within 1 s"
    )
    spool_path = text("a path", about="readings wait here while the store is away")
    spool_max_mb = number(1, 1_000_000, "MB", about="and take so much room at most")
    max_inflight = whole_number(1, 65_535, about="MQTT receive maximum")
    shared_group = text(
        "1 to 64 letters, digits, - or _",
        r"[A-Za-z0-9_-]{1,64}",
        none=True,
        about="only with several ingesters",
        example="littoral",
    )
    late_after_s = number(
        1, 31_536_000, "s", about="a device's time that is older than this is doubted,"
    )
    future_s = number(0, 86_400, "s", about="and one that is so far ahead")
    rejections_kept = whole_number(
        0, 1_000_000, about="rejected messages that are stored to be shown"
    )
    sensors_per_tank = whole_number(1, 1000, about="series of one tank; further ones are rejected")
    new_sensors_per_hour = whole_number(1, 1000, about="new series of one tank")


class _HttpSchema(Section):
    target = HttpConfig
    host = text(
        "an address or host name",
        r"[A-Za-z0-9_.:-]+",
        about="where API and pages listen; other than this machine only behind TLS and with tokens",
    )
    port = whole_number(0, 65_535, about="0: any that is free")
    threads = whole_number(1, 256, about="requests answered at the same time")
    listeners = whole_number(
        0, 256, about="besides, open pages and programs that listen to events;"
    )
    listeners_per_address = whole_number(1, 256, about="so many of them from one address")
    connections = whole_number(8, 4096, about="held open at the same time, beside listeners;")
    connections_per_address = whole_number(1, 4096, about="so many of them from one address")
    trusted_proxy = text(
        "an IP address",
        r"[0-9A-Fa-f.:]+",
        none=True,
        about="only with a reverse proxy",
        example="127.0.0.1",
    )
    public_url = text(
        "https://HOST[:PORT] or http://HOST[:PORT], as people reach the service; nothing after it",
        r"https?://([A-Za-z0-9.-]+|\[[0-9a-fA-F:]+\])(:[0-9]{1,5})?/?",
        none=True,
        about="as people reach the service; links begin with it",
        example="https://tanks.example.org",
    )
    writes_per_minute = whole_number(1, 1_000_000, about="changes taken from one token or address")
    calculations_per_minute = whole_number(
        1, 1_000_000, about="calculations and predictions, likewise"
    )
    values_per_request = whole_number(
        10_000, 1_000_000_000, about="readings, and spans of them, read for one request"
    )
    refusals_per_minute = whole_number(1, 10_000, about="wrong tokens taken from one address")
    session_idle_hours = number(
        0.1, 2160, "h", about="who has not used the pages for so long is logged out"
    )
    session_days = number(0.01, 366, "d", about="and everybody after so long")


class _AdviceSchema(Section):
    target = AdviceConfig
    every_s = number(0.1, 86_400, "s", about="how often the rules are evaluated")
    publish = f.Boolean(
        metadata=in_words("true or false", {"about": "retained on littoral/<tank>/advice/…"}),
    )
    lease_s = number(
        1,
        3600,
        "s",
        about="others take over the tanks of a process that is silent for so long; "
        "SQLite: 20 or more (a write may wait 15 s)",
    )


class _ClockSchema(Section):
    target = ClockConfig
    speed = number(0.001, 100_000, "", about="demo and replay only", example=60)
    origin = f.AwareDateTime(
        default_timezone=UTC,
        allow_none=True,
        metadata=in_words(
            "an RFC 3339 time",
            {"about": "what the clock showed …", "example": "2031-05-04T08:00:00Z"},
        ),
    )
    started = f.AwareDateTime(
        default_timezone=UTC,
        allow_none=True,
        metadata=in_words(
            "an RFC 3339 time",
            {
                "about": "… when the machine showed this; default: at start",
                "example": "2031-05-04T06:30:00Z",
            },
        ),
    )


class ConfigSchema(Section):
    target = Config
    store = f.Nested(_StoreSchema)
    registry = f.Nested(_RegistrySchema)
    pictures = f.Nested(_PicturesSchema)
    mqtt = f.Nested(_MqttSchema)
    ingest = f.Nested(_IngestSchema)
    routes = f.List(f.Nested(RouteSchema), data_key="route")
    sensors = f.List(f.Nested(SensorSchema), data_key="sensor")
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
