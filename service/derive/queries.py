"""From registry and store to derived values; with ``load`` the only place of this room with I/O."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np

from service.derive.co2.current import co2_over, target_of
from service.derive.gas_exchange import FIT_DAYS, gas_model_of
from service.derive.inputs import (
    Material,
    co2_now_from,
    co2_series_from,
    light_source_from,
    view_from,
)
from service.derive.light import light_days_of
from service.derive.loader import (
    VIEW_DAYS,
    choose,
    latest_of,
    latest_reading,
    log_of,
    material_of,
    samples_of,
)
from service.derive.local_time import local_day, local_midnight
from service.derive.models import (
    Array,
    Co2Now,
    Co2Series,
    GasModel,
    LightDay,
    TankView,
    TemperatureNow,
)
from service.derive.prediction.what_if import Answer, Question, what_if
from service.derive.sensor_choice import US_PER_MINUTE, why_no_reading
from service.derive.temperature import excursions_of, temperature_at
from service.derive.thresholds import derived_limit
from service.derive.tolerance import tolerance_of
from service.registry.models import Tank
from service.registry.registry import Registry
from service.registry.volume import net_volume_l
from service.science.temperature.excursions import Excursion
from service.science.temperature.forecast import WINDOW_S
from service.store.interface import Store
from service.store.range_exits import read_outside
from service.times import to_us

INNER_POINTS: Final = 10_000
INNER_STEPS_US: Final = tuple(US_PER_MINUTE * minutes for minutes in (1440, 360, 60, 30, 10, 5, 1))
"""A long CO2 series is averaged from about so many finer steps: CO2 runs exponentially in pH,
so the CO2 of a mean pH is not the mean CO2."""


def view_of(
    tank: Tank,
    registry: Registry,
    store: Store,
    now: datetime,
    *,
    days: int = VIEW_DAYS,
    gas: GasModel | None = None,
) -> TankView:
    """Everything that rules and pages may know of a tank at ``now``.

    Args:
        days: local days of light, CO2 and excursions, today included.
        gas: the gas exchange as last fitted (``gas_exchange``; it takes a tenth of a second).

    Raises:
        StoreUnavailableError, StoreRefusedError: as the store finds.
        NotFoundError: the tank is not in the registry.
    """
    return view_from(replace(material_of(tank, registry, store, now, days=days), gas=gas))


def gas_exchange(
    tank: Tank, registry: Registry, store: Store, now: datetime, *, days: int = FIT_DAYS
) -> GasModel:
    """Gas exchange fitted to the last days; parameters and errors as ``view_of``."""
    return _fitted(material_of(tank, registry, store, now, days=days))


def predicted_day(
    tank: Tank, registry: Registry, store: Store, now: datetime, question: Question
) -> Answer:
    """What a settled day would be like with other settings, next to today's.

    Raises:
        ConflictError: the gas exchange could not be fitted, or KH is not known.
        InvalidInputError: a setting out of its range.
    """
    material = material_of(tank, registry, store, now, days=FIT_DAYS)
    gas = _fitted(material)
    return what_if(view_from(replace(material, gas=gas)), material.series("temperature"), question)


def co2_now(tank: Tank, registry: Registry, store: Store, now: datetime) -> Co2Now:
    """CO2 at ``now``; errors as ``view_of``."""
    return co2_now_from(latest_of(tank, registry, store, now))


def co2_series(
    tank: Tank,
    registry: Registry,
    store: Store,
    start: datetime,
    end: datetime,
    every_us: int | None = None,
) -> Co2Series:
    """CO2 over time.

    Args:
        start, end: the span, start <= t < end.
        every_us: means over spans of this length, told at their start; None: each pH reading.

    Returns:
        mg/L; spans and readings without a known CO2 are NaN, spans without readings left out.
    """
    infos = store.series(tank.id)
    log = log_of(tank, registry, start, end)
    inner_us = None if every_us is None else _inner_step(to_us(start), to_us(end), every_us)
    span = (to_us(start), to_us(end))
    ph, temperature, conductivity = (
        samples_of(store, choose(tank, name, infos, end), span, inner_us)
        for name in ("ph", "temperature", "conductivity")
    )
    fine = co2_over(tank, log, ph, temperature, conductivity)
    return fine if every_us is None else _mean_over(fine, every_us)


def light_day(
    tank: Tank, registry: Registry, store: Store, day: date, now: datetime
) -> LightDay | None:
    """The light of one local day; None where no light is measured or the day is to come."""
    end = min(now, _noon_after(tank, day))
    material = material_of(tank, registry, store, end, days=VIEW_DAYS)
    tolerance = tolerance_of(tank, material.log, end)
    days = light_days_of(
        tank,
        light_source_from(material),
        day,
        now,
        last=day,
        co2=co2_series_from(material),
        target=target_of(tank, tolerance.co2_max_mg_l),
        temperature=material.series("temperature"),
    )
    return days[0] if days else None


def temperature_now(tank: Tank, registry: Registry, store: Store, now: datetime) -> TemperatureNow:
    """Temperature at ``now`` with its rate and forecast; errors as ``view_of``."""
    infos = store.series(tank.id)
    chosen = choose(tank, "temperature", infos, now)
    latest = latest_reading(store, chosen)
    span = (to_us(now - timedelta(seconds=WINDOW_S)), to_us(now) + 1)
    return temperature_at(
        tank,
        now,
        tolerance_of(tank, log_of(tank, registry, now, now), now),
        reading=latest,
        samples=samples_of(store, chosen, span, None),
        no_reading=why_no_reading("temperature", chosen.info, latest, now),
        reasons=chosen.reasons,
    )


def tank_excursions(
    tank: Tank, registry: Registry, store: Store, start: datetime, end: datetime
) -> tuple[Excursion, ...]:
    """Temperature excursions in a span, from every reading, exact between them."""
    chosen = choose(tank, "temperature", store.series(tank.id), end)
    tolerance = tolerance_of(tank, log_of(tank, registry, end, end), end)
    if chosen.info is None:
        return ()
    samples = read_outside(
        store,
        chosen.info.key,
        to_us(start),
        to_us(end),
        low=tolerance.low_c,
        high=tolerance.high_c,
        band=derived_limit(tank, "excursion_hysteresis_c"),
    )
    return excursions_of(tank, samples, tolerance)


def _fitted(material: Material) -> GasModel:
    """Gas exchange fitted to the days of the material."""
    tank, now = material.tank, material.now
    first = local_day(tank, now - timedelta(days=material.days - 1))
    return gas_model_of(
        tank,
        now,
        co2_series_from(material),
        material.series("temperature"),
        light_days_of(tank, light_source_from(material), first, now),
        target_of(tank, tolerance_of(tank, material.log, now).co2_max_mg_l),
        net_volume_l(tank),
    )


def _inner_step(start_us: int, end_us: int, every_us: int) -> int:
    """A finer step that ``every_us`` is a multiple of, for about ``INNER_POINTS`` in all."""
    fitting = [step for step in INNER_STEPS_US if every_us % step == 0]
    coarse_enough = [step for step in fitting if (end_us - start_us) / step <= INNER_POINTS]
    return min(coarse_enough, default=every_us)


def _mean_over(fine: Co2Series, every_us: int) -> Co2Series:
    """Means over spans aligned to 1970-01-01 UTC; NaN where no value of a span is known."""
    spans, position = np.unique(fine.time_us // every_us, return_inverse=True)
    known = ~np.isnan(fine.value)
    count = np.bincount(position[known], minlength=spans.size)

    def mean(values: Array) -> Array:
        total = np.bincount(position[known], weights=values[known], minlength=spans.size)
        return np.asarray(np.divide(total, count, out=np.full(spans.size, np.nan), where=count > 0))

    return Co2Series(spans * every_us, mean(fine.value), mean(fine.low), mean(fine.high))


def _noon_after(tank: Tank, day: date) -> datetime:
    """Noon of the day after a local day: enough beyond its end to see the light go off."""
    return local_midnight(tank, day + timedelta(days=1)) + timedelta(hours=12)
