"""The configuration's values, each section a frozen dataclass with its defaults."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from service.config.integration_values import IntegrationConfig


@dataclass(frozen=True, slots=True)
class StoreConfig:
    """Where readings are stored, and in SQLite how long.

    Attributes:
        url: ``sqlite:///…``, ``influx://…`` or ``victoriametrics://…``.
        keep_raw_days, keep_minute_days, keep_hour_days, keep_day_days: ages at which readings and
            their rollups are deleted; None: never.
    """

    url: str = field(default="sqlite:///var/littoral.db", repr=False)
    keep_raw_days: float | None = None
    keep_minute_days: float | None = None
    keep_hour_days: float | None = None
    keep_day_days: float | None = None


@dataclass(frozen=True, slots=True)
class RegistryConfig:
    """Where tanks and the log are stored, and how long the record of who wrote what.

    Attributes:
        url: an SQLAlchemy URL (SQLite or PostgreSQL).
        keep_audit_days: age at which records of the audit are deleted.
    """

    url: str = field(default="sqlite:///var/registry.db", repr=False)
    keep_audit_days: float = 400.0


@dataclass(frozen=True, slots=True)
class PicturesConfig:
    """Where pictures of the log are stored, and how much of them is taken.

    Attributes:
        folder: of one registry alone; None: beside the registry's file.
        picture_mb: the largest file that is taken.
        megapixels: the most pixels that one may have.
        tank_mb: what the pictures of one tank may take together, as they are stored.
    """

    folder: str | None = None
    picture_mb: float = 12.0
    megapixels: int = 50
    tank_mb: float = 1000.0

    @property
    def picture_bytes(self) -> int:
        """The largest file that is taken, bytes."""
        return int(self.picture_mb * 1e6)

    @property
    def tank_bytes(self) -> int:
        """What the pictures of one tank may take together, bytes."""
        return int(self.tank_mb * 1e6)


@dataclass(frozen=True, slots=True)
class MqttConfig:
    """The broker. ``url`` is ``mqtt://[user:password@]host[:port]`` or ``mqtts://…``.

    Attributes:
        max_packet_kb: larger packets are not taken; MQTT 5 brokers are told so. Four times the
            largest payload that is read, so that a refused one is still shown with its reason.
    """

    url: str = field(default="mqtt://127.0.0.1:1883", repr=False)
    client_id: str = "littoral-ingest"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None
    protocol: str = "5"
    qos: int = 1
    keepalive_s: int = 30
    session_expiry_s: int = 604_800
    prefix: str = "littoral"
    max_packet_kb: int = 1024

    @property
    def most_packet_bytes(self) -> int:
        """The largest packet that is taken, bytes."""
        return self.max_packet_kb * 1024


@dataclass(frozen=True, slots=True)
class IngestConfig:
    """How the ingester batches, spools and shares the load.

    Attributes:
        batch_size, batch_age_s: a batch is committed when it is this large, or the one before was
            committed so long ago; the first after a pause, and of a new topic, within a second.
        spool_path, spool_max_mb: readings wait there while the store is away.
        max_inflight: MQTT receive maximum: messages taken and not yet committed.
        shared_group: name of an MQTT shared subscription; None: the only ingester.
        late_after_s, future_s: a device time older or further ahead than this is doubted.
        rejections_kept: how many rejected messages are stored to be shown.
        sensors_per_tank: series that a tank may have: six quantities by thirty sensors, and some
            more. No tank has so many; a board that makes up names has them soon.
        new_sensors_per_hour: new ones that a tank may get in an hour: a tank's whole equipment at
            once, and a board that makes up names shows before the limit of the tank is used up.
    """

    batch_size: int = 1000
    batch_age_s: float = 60.0
    spool_path: str = "var/spool.db"
    spool_max_mb: float = 256.0
    max_inflight: int = 5000
    shared_group: str | None = None
    late_after_s: float = 3600.0
    future_s: float = 300.0
    rejections_kept: int = 1000
    sensors_per_tank: int = 200
    new_sensors_per_hour: int = 50


@dataclass(frozen=True, slots=True)
class RouteConfig:
    """Which topic feeds which tank and quantity.

    Attributes:
        topic: MQTT filter; ``+`` and ``#`` as in MQTT, ``{tank}``, ``{quantity}``, ``{sensor}``
            each stand for one level and name it.
        tank, quantity, sensor: constants, where the topic does not name them.
        format: how the payload is read; ``auto`` recognizes number, JSON and SenML.
        path: dotted path of the value in a JSON payload.
        time_path: dotted path of the device's time in a JSON payload.
        sequence_path: dotted path of the device's sequence number in a JSON payload.
        unit: unit of the value, where the payload has none; None: the canonical unit.
        names: the topic's own words for quantities -> ours, e.g. ``{temp = "temperature"}``.
        clock_offset_s: the devices' clocks are so much fast (below 0: slow), s.
        time_zone: the devices send the time of this zone in place of UTC; None: UTC.
    """

    topic: str
    tank: str | None = None
    quantity: str | None = None
    sensor: str | None = None
    format: str = "auto"
    path: str | None = None
    time_path: str | None = None
    sequence_path: str | None = None
    unit: str | None = None
    names: Mapping[str, str] = field(default_factory=dict)
    clock_offset_s: float = 0.0
    time_zone: str | None = None


@dataclass(frozen=True, slots=True)
class SensorConfig:
    """What is set for a single sensor; counts before what its route says.

    Attributes:
        tank, sensor, quantity: which; without a quantity all that the sensor measures.
        clock_offset_s: its clock is so much fast (below 0: slow), s.
        time_zone: it sends the time of this zone in place of UTC; None: UTC.
    """

    tank: str
    sensor: str
    quantity: str | None = None
    clock_offset_s: float = 0.0
    time_zone: str | None = None


@dataclass(frozen=True, slots=True)
class HttpConfig:
    """Where the API listens, and how much it takes.

    Attributes:
        threads: requests answered at the same time.
        listeners: programs and open pages that may listen to events at the same time; each has a
            thread of its own, beside those of ``threads``.
        listeners_per_address: of these, how many from one address (IPv6: one /64).
        connections: held open at the same time, beside those of listeners.
        connections_per_address: of these, how many from one address but the trusted proxy's.
        trusted_proxy: address of a reverse proxy whose X-Forwarded-For, -Proto and -Host are
            believed; None: no proxy's.
        public_url: where people reach the service: sharing links and those in mail begin with it;
            None: mail has no links, and a sharing link begins with the address it was made under.
        writes_per_minute: changes taken from one token or address in a minute.
        calculations_per_minute: calculations and predictions, likewise.
        values_per_request: readings, and spans of them, that are read of the store for one request.
        refusals_per_minute: wrong tokens taken from one address in a minute.
        session_idle_hours: a session of the pages ends when it was not used for so long.
        session_days: it ends after so long in any case.
    """

    host: str = "127.0.0.1"
    port: int = 8600
    threads: int = 8
    listeners: int = 32
    listeners_per_address: int = 16
    connections: int = 256
    connections_per_address: int = 64
    trusted_proxy: str | None = None
    public_url: str | None = None
    writes_per_minute: int = 600
    calculations_per_minute: int = 600
    values_per_request: int = 2_000_000
    refusals_per_minute: int = 10
    session_idle_hours: float = 72.0
    session_days: float = 30.0

    @property
    def session_idle(self) -> timedelta:
        """How long a session may go unused."""
        return timedelta(hours=self.session_idle_hours)

    @property
    def session_lifetime(self) -> timedelta:
        """How long a session may last in any case."""
        return timedelta(days=self.session_days)


@dataclass(frozen=True, slots=True)
class AdviceConfig:
    """How often all rules are evaluated, and whether advice is published over MQTT.

    Attributes:
        lease_s: of several processes, others take over the tanks of one that has been silent
            for so long.
    """

    every_s: float = 60.0
    publish: bool = True
    lease_s: float = 30.0


@dataclass(frozen=True, slots=True)
class ClockConfig:
    """A clock that runs fast from ``origin`` since ``started``: for demo and replay only."""

    speed: float = 1.0
    origin: datetime | None = None
    started: datetime | None = None


@dataclass(frozen=True, slots=True)
class Config:
    """The whole configuration, checked."""

    store: StoreConfig = StoreConfig()
    registry: RegistryConfig = RegistryConfig()
    pictures: PicturesConfig = PicturesConfig()
    mqtt: MqttConfig = MqttConfig()
    ingest: IngestConfig = IngestConfig()
    routes: tuple[RouteConfig, ...] = ()
    sensors: tuple[SensorConfig, ...] = ()
    http: HttpConfig = HttpConfig()
    advice: AdviceConfig = AdviceConfig()
    clock: ClockConfig = ClockConfig()
    integrations: tuple[IntegrationConfig, ...] = ()
