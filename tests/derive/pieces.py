"""An invented tank and closed-form series to derive from."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import numpy as np

from service.derive.inputs import Inputs
from service.derive.sensors.choice import ChosenSeries
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.plans import DosePlan, GasPlan, LightPlan, PlantTargets
from service.registry.models.tank import Dimensions, KhKit, Stock, Tank
from service.science.carbonate.co2 import ph_for_co2
from service.science.carbonate.kh_methods import KhMethod
from service.science.water.hardness import MEQ_L_PER_DEGREE
from service.store.model import Flag, Reading, Samples, SeriesInfo, SeriesKey
from service.times import to_us

NOON = datetime(2026, 3, 10, 12, 0, tzinfo=UTC)
KH_4 = 4 * MEQ_L_PER_DEGREE


def a_tank(**changes: object) -> Tank:
    """A healthy invented tank of 180 L net, lit from 10 to 18 UTC, gas from 8 to 17."""
    tank = Tank(
        id="reed",
        name="Reed bed",
        dimensions=Dimensions(90, 50, 45, fill_height_cm=42),
        net_volume_l=180.0,
        kh_meq_l=KH_4,
        kh_kit=KhKit(KhMethod.TITRATION, MEQ_L_PER_DEGREE),
        animals=(
            Stock(
                "Paracheirodon axelrodi",
                20,
                temperature_low_c=22.0,
                temperature_high_c=28.0,
                co2_max_mg_l=30.0,
            ),
        ),
        targets=PlantTargets(20.0, 30.0, 2.0, 5.0),
        light=LightPlan(time(10), 8.0),
        gas=GasPlan(time(8), time(17)),
        doses=(DosePlan("macro", ml_per_100_l=10.0), DosePlan("iron", g_per_100_l=0.2)),
    )
    return replace(tank, **changes)  # type: ignore[arg-type]


def entry(kind: LogKind, at: datetime, note: str = "", **data: object) -> LogEntry:
    """A log entry of the invented tank."""
    return LogEntry(f"{kind}-{at:%d%H%M}", "reed", kind, at, data, note)


def grid(start: datetime, end: datetime, every_min: float = 5.0) -> np.ndarray:
    """Sample times, microseconds, start <= t <= end."""
    return np.arange(to_us(start), to_us(end) + 1, int(every_min * 6e7), dtype=np.int64)


def samples(time_us: np.ndarray, value: np.ndarray | float) -> Samples:
    """Samples without a flag."""
    values = np.broadcast_to(np.asarray(value, dtype=np.float64), time_us.shape).copy()
    return Samples(time_us, values, np.zeros(time_us.shape, np.int32))


def hour_of_day(time_us: np.ndarray) -> np.ndarray:
    """Hours since midnight UTC."""
    return time_us / 3.6e9 % 24.0


def lamp(time_us: np.ndarray, on: float = 10.0, off: float = 18.0, lux: float = 12_000.0):
    """A lamp on a timer, 10 lx of room light else."""
    hour = hour_of_day(time_us)
    return np.where((hour >= on) & (hour < off), lux, 10.0)


def gassed(
    time_us: np.ndarray,
    *,
    high: float = 26.0,
    on: float = 8.0,
    off: float = 17.0,
    low: float = 3.0,
    rise_per_h: float = 1.5,
) -> np.ndarray:
    """CO2 that rises from gas-on and falls from gas-off, mg/L, settled from day to day.

    It falls by 0.5 per hour: with ``rise_per_h=0.5`` one exchange with the air explains both.
    """
    hour = hour_of_day(time_us)
    up = low + (high - low) * -np.expm1(-rise_per_h * (hour - on))
    top = low + (high - low) * -np.expm1(-rise_per_h * (off - on))
    down = low + (top - low) * np.exp(-0.5 * ((hour - off) % 24.0))
    return np.where((hour >= on) & (hour < off), np.maximum(up, low), down)


def ph_of(co2_mg_l: np.ndarray, meq_l: float = KH_4, celsius: float | np.ndarray = 24.0):
    """The pH that shows so much CO2."""
    return ph_for_co2(co2_mg_l, meq_l, celsius)


def info(key: SeriesKey, series: Samples, flags: Flag = Flag.NONE) -> SeriesInfo:
    """What a store holds of a series."""
    last = Reading(
        key.tank, key.quantity, key.sensor, int(series.time_us[-1]), float(series.value[-1]), flags
    )
    return SeriesInfo(key, last)


def inputs_with(
    tank: Tank,
    now: datetime,
    series: Mapping[str, Samples],
    log: Sequence[LogEntry] = (),
    days: int = 8,
) -> Inputs:
    """The inputs of a tank whose sensors are named after their quantity."""
    infos = {
        quantity: info(SeriesKey(tank.id, quantity, f"{quantity}-1"), one)
        for quantity, one in series.items()
        if len(one)
    }
    latest = {quantity: one.last for quantity, one in infos.items()}
    return Inputs(
        tank=tank,
        now=now,
        start=now - timedelta(days=days),
        log=tuple(sorted(log, key=lambda one: one.time, reverse=True)),
        infos=tuple(infos.values()),
        chosen={quantity: ChosenSeries(one) for quantity, one in infos.items()},
        latest=latest,
        samples=dict(series),
        paired_temperature=latest.get("temperature"),
    )


def days_of(
    now: datetime = NOON,
    *,
    days: int = 8,
    co2: Callable[[np.ndarray], np.ndarray] = gassed,
    lux: Callable[[np.ndarray], np.ndarray] = lamp,
    celsius: Callable[[np.ndarray], np.ndarray] | float = 24.0,
    meq_l: float = KH_4,
) -> dict[str, Samples]:
    """pH, temperature and illuminance over the days before ``now``."""
    coarse = grid(now - timedelta(days=days), now)
    fine = grid(now - timedelta(days=days), now, 1.0)
    warm = celsius(coarse) if callable(celsius) else np.full(coarse.shape, celsius)
    return {
        "ph": samples(coarse, ph_of(co2(coarse), meq_l, warm)),
        "temperature": samples(coarse, warm),
        "illuminance": samples(fine, lux(fine)),
    }
