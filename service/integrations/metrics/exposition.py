"""OpenMetrics: readings, derived values and advice of the tanks, and the service's own health."""

from __future__ import annotations

import threading
import time
from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType
from typing import Final

from prometheus_client import CollectorRegistry, ProcessCollector
from prometheus_client.exposition import choose_encoder
from prometheus_client.metrics_core import GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.registry import Collector

from service.advice.engine.history.change_events import LedgerChange
from service.clock import Clock
from service.derive.models.tank_view import TankView
from service.derive.sensors.choice import US_PER_MINUTE, usable
from service.derive.thresholds import STALE_NAME, derived_limit
from service.errors import LittoralError
from service.integrations.metrics.disks import free_bytes
from service.integrations.metrics.health import health_families
from service.integrations.tank_figures import Figures, figures_of
from service.registry.models.tank import Tank
from service.registry.registry import Registry
from service.store import Store
from service.store.model import SeriesInfo
from service.times import to_us

G_L: Final = "grams_per_liter"
READINGS: Final = {
    "temperature": ("littoral_temperature_celsius", "celsius"),
    "ph": ("littoral_ph", ""),
    "illuminance": ("littoral_illuminance_lux", "lux"),
    "ppfd": (
        "littoral_ppfd_micromoles_per_square_meter_second",
        "micromoles_per_square_meter_second",
    ),
    "conductivity": (
        "littoral_conductivity_microsiemens_per_centimeter",
        "microsiemens_per_centimeter",
    ),
    "dissolved_oxygen": ("littoral_dissolved_oxygen_grams_per_liter", G_L),
}
"""By quantity: name and unit of its family."""

_FACTORS: Final = {G_L: 1e-3, "seconds": 3600.0}
"""By the unit of a family: what our numbers (mg/L, h) are multiplied with, for base units."""

_DERIVED: Final = (
    ("littoral_co2_grams_per_liter", G_L, "Dissolved CO2.", "co2_mg_l"),
    ("littoral_co2_low_grams_per_liter", G_L,
     "Lower end of its 95 % interval.", "co2_low_mg_l"),
    ("littoral_co2_high_grams_per_liter", G_L,
     "Upper end of its 95 % interval.", "co2_high_mg_l"),
    ("littoral_temperature_rate_kelvin_per_hour", "kelvin_per_hour",
     "How fast temperature rises.", "temperature_rate_k_h"),
    ("littoral_light_lit", "", "1 while the tank is lit, 0 in the dark.", "lit"),
    ("littoral_light_ppfd_micromoles_per_square_meter_second",
     "micromoles_per_square_meter_second",
     "PPFD, measured or from lux by the lamp's factor.", "ppfd_umol_m2_s"),
    ("littoral_light_dli_moles_per_square_meter", "moles_per_square_meter",
     "Light of the local day so far.", "dli_mol_m2_d"),
    ("littoral_light_photoperiod_seconds", "seconds",
     "Lit time of the local day so far, as far as seen.", "photoperiod_h"),
    ("littoral_light_seen_percent", "percent",
     "Share of the local day so far with light readings.", "light_seen_percent"),
)  # fmt: skip


class Metrics(Collector):
    """What a monitoring system scrapes.

    Readings are fetched at each scrape. Derived values and advice are those of the scheduler's last
    evaluation, and left out once that is ``lifetime_s`` ago.
    """

    name = "metrics"
    mended = 0

    def __init__(
        self,
        store: Store,
        registry: Registry,
        clock: Clock,
        lifetime_s: float,
        speed: float = 1.0,
        started_s: float | None = None,
        databases: Mapping[str, Path] = MappingProxyType({}),
    ) -> None:
        """Prepare.

        Args:
            lifetime_s: machine seconds for which the values of an evaluation count.
            speed: of the clock, against the machine's.
            started_s: when the process started, by ``time.monotonic``; None: now.
            databases: files whose disks are measured, by what they are.
        """
        self._store = store
        self._registry = registry
        self._clock = clock
        self._lifetime_s = lifetime_s
        self._started_s = time.monotonic() if started_s is None else started_s
        self._speed = speed
        self._databases = databases
        self._lock = threading.Lock()
        self._figures: dict[str, tuple[Figures, float]] = {}
        self._collectors = CollectorRegistry()
        self._collectors.register(self)
        ProcessCollector(registry=self._collectors)

    def start(self) -> None:
        """Nothing to begin: metrics are scraped."""

    def update(self, view: TankView, change: LedgerChange) -> None:
        """Store the figures of an evaluation."""
        figures = figures_of(view, change.current)
        with self._lock:
            self._figures[view.tank.id] = (figures, time.monotonic())

    def retain_only(self, tanks: frozenset[str]) -> None:
        """Expose nothing more of other tanks."""
        with self._lock:
            self._figures = {tank: one for tank, one in self._figures.items() if tank in tanks}

    def release(self, tanks: Collection[str]) -> None:
        """See ``Integration``."""
        with self._lock:
            for tank in tanks:
                self._figures.pop(tank, None)

    def stop(self) -> None:
        """Nothing to end."""

    def exposition(self, accept: str) -> tuple[bytes, str]:
        """The text and its media type.

        Args:
            accept: the request's ``Accept``; OpenMetrics where it asks for it, else the classic
                text format.
        """
        encode, media_type = choose_encoder(accept)
        return encode(self._collectors), media_type

    def describe(self) -> Iterable[Metric]:
        """No names in advance: store and registry are not read before the first scrape."""
        return ()

    def collect(self) -> Iterator[Metric]:
        """All families but those whose source is away; ``littoral_up`` is 0 for it."""
        now = self._clock.now()
        up = GaugeMetricFamily("littoral_up", "1 if a part answers.", labels=["part"])
        families: list[Metric] = []
        for part, source in (("store", self._of_readings), ("registry", self._of_registry)):
            try:
                families += source(now)
                up.add_metric([part], 1)
            except LittoralError:
                up.add_metric([part], 0)
        yield up
        yield self._disks()
        yield from families
        yield from self._of_evaluations()

    def _disks(self) -> Metric:
        family = GaugeMetricFamily(
            "littoral_disk_free_bytes", "Room on the disk of a database.", labels=["part"],
            unit="bytes",
        )  # fmt: skip
        for part, path in self._databases.items():
            if (free := free_bytes(path)) is not None:
                family.add_metric([part], free)
        return family

    def _of_readings(self, now: datetime) -> list[Metric]:
        """The newest reading of each sensor, unless stale or doubted; and when it was taken."""
        tanks = {tank.id: tank for tank in self._known_tanks()}
        times = GaugeMetricFamily(
            "littoral_last_reading_timestamp_seconds",
            "Time of the last reading, usable or not.",
            labels=["tank", "quantity", "sensor"],
            unit="seconds",
        )
        families: dict[str, GaugeMetricFamily] = {}
        for info in self._store.series():
            key = info.key
            times.add_metric([key.tank, key.quantity, key.sensor], info.last.time_us / 1e6)
            tank = tanks.get(key.tank)
            if tank is None or key.quantity not in READINGS or not _fresh(tank, info, now):
                continue
            name, unit = READINGS[key.quantity]
            family = families.setdefault(
                key.quantity,
                GaugeMetricFamily(
                    name, f"Last reading of {key.quantity}.", labels=["tank", "sensor"], unit=unit
                ),
            )
            family.add_metric([key.tank, key.sensor], info.last.value * _FACTORS.get(unit, 1.0))
        return [times, *families.values()]

    def _known_tanks(self) -> list[Tank]:
        try:
            return self._registry.tanks()
        except LittoralError:
            return []  # without thresholds of staleness only the times are exposed

    def _of_registry(self, now: datetime) -> list[Metric]:
        names = InfoMetricFamily("littoral_tank", "The tanks of the registry.")
        for tank in self._registry.tanks():
            names.add_metric([], {"tank": tank.id, "name": tank.name or tank.id})
        health = health_families(
            self._registry,
            now,
            self._speed,
            usual_s=self._lifetime_s,
            up_s=time.monotonic() - self._started_s,
        )
        return [names, *health]

    def _of_evaluations(self) -> list[Metric]:
        oldest = time.monotonic() - self._lifetime_s
        with self._lock:
            current = {
                tank: figures for tank, (figures, at) in self._figures.items() if at >= oldest
            }
        families = []
        for name, unit, text, attribute in _DERIVED:
            family = GaugeMetricFamily(name, text, labels=["tank"], unit=unit)
            for tank, figures in current.items():
                value = getattr(figures, attribute)
                if value is not None:
                    family.add_metric([tank], float(value) * _FACTORS.get(unit, 1.0))
            families.append(family)
        advice = GaugeMetricFamily(
            "littoral_advice_open", "Open recommendations.", labels=["tank", "severity"]
        )
        for tank, figures in current.items():
            for severity, count in figures.open_by_severity.items():
                advice.add_metric([tank, severity.word], count)
        return [*families, advice]


def _fresh(tank: Tank, info: SeriesInfo, now: datetime) -> bool:
    age_min = (to_us(now.astimezone(UTC)) - info.last.time_us) / US_PER_MINUTE
    return usable(info.last) and age_min <= derived_limit(tank, STALE_NAME[info.key.quantity])
