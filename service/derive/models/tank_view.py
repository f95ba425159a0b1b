"""The view of a tank: everything that rules, pages and integrations may know of it; its present."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType
from typing import Final

from service.derive.inhabitants.tolerance import NO_TOLERANCE, Tolerance
from service.derive.models.co2 import Co2Check, Co2Now, Co2Series
from service.derive.models.co2_days import Co2Day, Co2High, Co2Lit, GasStart
from service.derive.models.gas_exchange import GasModel
from service.derive.models.light import LightDay, LightNow
from service.derive.models.temperature import TemperatureNow
from service.derive.sensors.probe_out import ProbeOut
from service.registry.models.ingest import DeviceClock
from service.registry.models.log import LogEntry
from service.registry.models.tank import Tank
from service.science.sensors.electrode_drift import ElectrodeDrift
from service.science.temperature.excursions import Excursion
from service.store.model import Reading, SeriesInfo, SeriesKey

NO_READINGS: Final[Mapping[str, Reading]] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class TankNow:
    """The present of one tank, which can be shown at a glance.

    Attributes:
        now: UTC.
        co2_series: the last days; time in UTC microseconds.
        sensors: what the store holds of each series, as far as they count.
        tolerance: what the animals tolerate together.
        light: light at ``now``.
    """

    tank: Tank
    now: datetime
    co2: Co2Now
    co2_series: Co2Series
    temperature: TemperatureNow
    sensors: tuple[SeriesInfo, ...]
    tolerance: Tolerance = NO_TOLERANCE
    light: LightNow | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TankView(TankNow):
    """What is known of one tank at ``now``: the input of every rule.

    Attributes:
        net_volume_l: None when neither measured nor computable.
        light_days: the last days, oldest first; the last one is today (local).
        excursions: of temperature from what all animals tolerate, of the last days, oldest first.
        discomforts: likewise from where all are comfortable.
        log: the entries of the last months, newest first.
        believed: the series that values are taken from.
        sensors_left_out: how many more series the store holds.
        slips: those whose newest reading is a single impossible one.
        clocks: those of devices that are off by a known constant.
        probes_out: spans in which a probe was out of the tank, or may have been.
        co2_lit: CO2 over the lit hours of the last 24 h; None where unknown.
        co2_high: CO2 against the animals' ceiling (the plants' without animals), last 24 h.
        co2_uncomfortable: CO2 against what all animals are comfortable with, last 24 h.
        co2_days: CO2 around the light of each day, oldest first.
        gas_start: CO2 since it should have been switched on today; None where not known.
        co2_check: other estimates of CO2 weighed with that by KH; None without CO2.
        gas: the fitted gas exchange; None where it was not fitted.
        ph_drift: of the pH probe since its calibration, by the mornings; None where not known.
        latest: by quantity, the newest usable reading of the sensor that counts.
        daily_minima_c: lowest temperature of each stretch of 24 h up to now, oldest first.
        usual_c: median temperature of the last days; None without readings.
    """

    net_volume_l: float | None
    light_days: tuple[LightDay, ...]
    excursions: tuple[Excursion, ...]
    log: tuple[LogEntry, ...]
    co2_lit: Co2Lit | None = None
    co2_high: Co2High | None = None
    co2_uncomfortable: Co2High | None = None
    co2_days: tuple[Co2Day, ...] = ()
    gas_start: GasStart | None = None
    co2_check: Co2Check | None = None
    gas: GasModel | None = None
    ph_drift: ElectrodeDrift | None = None
    latest: Mapping[str, Reading] = field(default_factory=lambda: NO_READINGS)
    daily_minima_c: tuple[float, ...] = ()
    usual_c: float | None = None
    discomforts: tuple[Excursion, ...] = ()
    sensors_left_out: int = 0
    slips: frozenset[SeriesKey] = frozenset()
    clocks: tuple[DeviceClock, ...] = ()
    probes_out: tuple[ProbeOut, ...] = ()
    believed: frozenset[SeriesKey] = frozenset()
