"""The light of a tank, local day by local day, and how it meets CO2 and warmth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt

from service.derive.co2.series import co2_series
from service.derive.co2.target import Target, target_of
from service.derive.inputs import Inputs
from service.derive.light_stuck import StuckRun, stuck_runs, without
from service.derive.local_time import local_day, local_midnight
from service.derive.models import Array, Co2Series, LightDay, LightNow, Quality, StuckSensor
from service.derive.sensor_choice import age_min
from service.derive.thresholds import DERIVED, derived_limit
from service.registry.models import Tank
from service.science.light.co2 import lit_share_by_co2
from service.science.light.days import (
    DayOfLight,
    Thresholds,
    days_of_light,
    thresholds_from_series,
)
from service.science.light.dose import degree_hours_while_lit
from service.store.model import Samples
from service.times import from_us

SECONDS_PER_HOUR = 3600.0
LIGHT_QUANTITIES: Final = ("ppfd", "illuminance")
LEAST_KNOWN_SHARE = 0.5
"""CO2 must be known for so much of the lit time before a share of it is given. Our choice."""


@dataclass(frozen=True, slots=True)
class LightSource:
    """The light series a tank is judged by.

    Attributes:
        quantity: ``ppfd`` or ``illuminance``; "" where neither is measured.
        samples: usable samples in the unit of the quantity.
        illuminance: samples of a lux sensor, if there is one, for the lux-hours.
        lux: the samples in lux, as measured or from PPFD; never negative.
        levels: between which the light comes on and goes off.
        stuck: the stretch of readings at the sensor's upper end that lasts up to the newest;
            such stretches are not in ``samples``.
    """

    quantity: str
    samples: Samples
    illuminance: Samples | None
    lux: Array
    levels: Thresholds
    stuck: StuckRun | None = None


def light_source(
    tank: Tank, quantity: str, samples: Samples, illuminance: Samples | None = None
) -> LightSource:
    """The light series of a tank with its levels; ``quantity`` "" where none is measured."""
    lux = np.maximum(samples.value, 0.0)
    if quantity == "ppfd":
        lux = lux / lux_factor(tank)
    return LightSource(quantity, samples, illuminance, lux, lit_levels(tank, lux))


def light_source_of(inputs: Inputs) -> LightSource:
    """The light series of a tank with its levels: a PPFD sensor before a lux sensor."""
    sound = {one: _sound(inputs, one) for one in LIGHT_QUANTITIES}
    lux, _ = sound["illuminance"]
    for quantity in LIGHT_QUANTITIES:
        samples, stuck = sound[quantity]
        if len(samples) or stuck is not None:
            found = light_source(inputs.tank, quantity, samples, lux if len(lux) else None)
            return replace(found, stuck=stuck)
    return light_source(inputs.tank, "", Samples.empty())


def _sound(inputs: Inputs, quantity: str) -> tuple[Samples, StuckRun | None]:
    """The samples without stretches in which the sensor was stuck, and the one it is in now."""
    samples = inputs.series(quantity)
    runs = stuck_runs(inputs.tank, samples, inputs.now)
    now_stuck = runs[-1] if runs and runs[-1].after == len(samples) else None
    return without(samples, runs), now_stuck


def light_now(inputs: Inputs, source: LightSource) -> LightNow:
    """Light at ``now`` of the inputs."""
    quantity = source.quantity or "illuminance"
    reading = inputs.latest.get(quantity)
    stale_min = derived_limit(inputs.tank, "stale_light_min")
    if source.stuck is not None:
        stuck = ("the light sensor stays at its highest value by day and night: it is stuck",)
        return LightNow(None, None, None, Quality.STALE, stuck, _stuck(inputs, source))
    if not len(source.samples) or reading is None or age_min(reading, inputs.now) > stale_min:
        why = (inputs.why_none(quantity),)
        return LightNow(reading, None, None, Quality.STALE, why)
    lux, levels = source.lux, source.levels
    lit = bool(lux[-1] > levels.on_lux)
    other = np.flatnonzero(lux <= levels.off_lux if lit else lux > levels.on_lux)
    changed = None
    if other.size:
        changed = from_us(int(source.samples.time_us[min(int(other[-1]) + 1, lux.size - 1)]))
    return LightNow(reading, lit, changed, Quality.GOOD, inputs.reasons(quantity))


def _stuck(inputs: Inputs, source: LightSource) -> StuckSensor | None:
    """Which sensor is stuck."""
    chosen = inputs.chosen.get(source.quantity)
    if source.stuck is None or chosen is None or chosen.info is None:
        return None
    return StuckSensor(chosen.info.key, source.stuck.value, source.stuck.since)


def light_day(inputs: Inputs, day: date, now: datetime) -> LightDay | None:
    """The light of one local day; None where no light is measured or the day is to come.

    Args:
        inputs: as ``load_day``.
        now: a day that is not over is described up to here.
    """
    days = light_days_of(
        inputs.tank,
        light_source_of(inputs),
        day,
        now,
        last=day,
        co2=co2_series(inputs),
        target=target_of(inputs.tank, inputs.tolerance.co2_comfortable_mg_l),
        temperature=inputs.series("temperature"),
    )
    return days[0] if days else None


def first_day(inputs: Inputs) -> date:
    """The first local day that the inputs cover, its night perhaps in part."""
    return local_day(inputs.tank, inputs.start + timedelta(days=1))


def lux_factor(tank: Tank) -> float:
    """µmol/m²/s per lux of the tank's lamp."""
    return derived_limit(tank, "umol_per_lux")


def lit_levels(tank: Tank, lux: Array) -> Thresholds:
    """The levels between which light comes on and goes off.

    The tank's own ``lit_on_lux`` and ``lit_off_lux`` if set; else found in the readings; else
    the defaults.
    """
    if "lit_on_lux" in tank.thresholds or "lit_off_lux" in tank.thresholds:
        on = derived_limit(tank, "lit_on_lux")
        return Thresholds(on, min(derived_limit(tank, "lit_off_lux"), on))
    found = thresholds_from_series(lux)
    return found or Thresholds(DERIVED["lit_on_lux"].default, DERIVED["lit_off_lux"].default)


def light_days_of(
    tank: Tank,
    source: LightSource,
    first: date,
    now: datetime,
    *,
    last: date | None = None,
    co2: Co2Series | None = None,
    target: Target | None = None,
    temperature: Samples | None = None,
) -> tuple[LightDay, ...]:
    """The light of each local day from ``first`` to ``last``, oldest first.

    Args:
        source: samples from before ``first`` help to find dark and bright.
        now: a day that is not over is described up to here.
        last: None means today.
        co2, target: for the share of the lit time within target.
        temperature: usable samples, for the degree-hours while lit.

    Returns:
        Nothing where no light is measured.
    """
    if not source.quantity:
        return ()
    final = local_day(tank, now) if last is None else last
    days = [first + timedelta(days=n) for n in range((final - first).days + 1)]
    if not days or local_midnight(tank, first) >= now:
        return ()
    edges = [local_midnight(tank, day).timestamp() for day in days]
    end = min(local_midnight(tank, final + timedelta(days=1)), now).timestamp()
    edges = [edge for edge in edges if edge < end] + [end]
    found = days_of_light(
        source.samples.time_s,
        source.lux,
        edges,
        thresholds=source.levels,
        flicker_s=derived_limit(tank, "lit_min_off_min") * 60,
    )
    measured = _lux_hours(source, edges)
    return tuple(
        _described(tank, source, day, one, hours, now, co2, target, temperature)
        for day, one, hours in zip(days, found, measured, strict=False)
    )


def _lux_hours(source: LightSource, edges: Sequence[float]) -> list[float | None]:
    """Measured lx h per day; None without a lux sensor."""
    if source.quantity == "illuminance":
        return [None] * (len(edges) - 1)  # taken from the day itself
    if source.illuminance is None or not len(source.illuminance):
        return [None] * (len(edges) - 1)
    lux = np.maximum(source.illuminance.value, 0.0)
    days = days_of_light(source.illuminance.time_s, lux, edges, thresholds=source.levels)
    return [one.dose.total for one in days]


def _described(
    tank: Tank,
    source: LightSource,
    day: date,
    found: DayOfLight,
    lux_hours: float | None,
    now: datetime,
    co2: Co2Series | None,
    target: Target | None,
    temperature: Samples | None,
) -> LightDay:
    factor = lux_factor(tank)
    edges_us = (found.start_s * 1e6, found.end_s * 1e6)
    begin, end = np.searchsorted(source.samples.time_us, edges_us)
    values = source.samples.value[begin:end]
    peak = float(values.max()) if values.size else None
    within, below = _co2_shares(found, co2, target)
    by_sensor = source.quantity == "ppfd"
    seen = found.cover > 0
    return LightDay(
        day=day,
        lit=tuple((_moment(one.start_s), _moment(one.end_s)) for one in found.lit),
        photoperiod_h=found.hours,
        lux_hours=lux_hours if by_sensor else (found.dose.total if seen else None),
        dli_mol_m2_d=found.dose.dli_mol_m2(factor) if seen else None,
        ppfd_peak_umol_m2_s=peak if by_sensor or peak is None else peak * factor,
        ppfd_from="sensor" if by_sensor else f"lux x {factor:g}",
        degree_hours_lit_k_h=_degree_hours(tank, found, temperature),
        co2_within_share=within,
        covered_share=min(found.cover, 1.0),
        complete=local_midnight(tank, day + timedelta(days=1)) <= now,
        on_at=None if found.on_s is None else _moment(found.on_s),
        off_at=None if found.off_s is None else _moment(found.off_s),
        bright_lux=None if np.isnan(found.bright_lux) else found.bright_lux,
        flickers=found.flickers,
        co2_below_share=below,
    )


def _moment(time_s: float) -> datetime:
    return datetime.fromtimestamp(time_s, UTC)


def _degree_hours(tank: Tank, day: DayOfLight, temperature: Samples | None) -> float | None:
    if temperature is None or not len(temperature):
        return None
    part = _around(temperature.time_us, day)
    base = derived_limit(tank, "degree_hours_base_c")
    return degree_hours_while_lit(
        temperature.time_us[part] / 1e6, temperature.value[part], day.lit, base
    )


def _co2_shares(
    day: DayOfLight, co2: Co2Series | None, target: Target | None
) -> tuple[float | None, float | None]:
    """Shares of the lit time, as far as CO2 is known, that lie within and below target."""
    if co2 is None or target is None or not day.lit or target.low_mg_l >= target.high_mg_l:
        return None, None
    part = _around(co2.time_us, day)
    share = lit_share_by_co2(
        co2.time_us[part] / 1e6, co2.value[part], day.lit, target.low_mg_l, target.high_mg_l
    )
    known = 1.0 - share.unknown
    if np.isnan(known) or known < LEAST_KNOWN_SHARE:
        return None, None
    within, below = np.clip((share.within / known, share.below / known), 0.0, 1.0)
    return float(within), float(below)


def _around(time_us: npt.NDArray[np.int64], day: DayOfLight) -> slice:
    """The samples of a day and a few on each side, so that lines reach over its edges."""
    first, last = np.searchsorted(time_us, (day.start_s * 1e6, day.end_s * 1e6))
    return slice(max(int(first) - 3, 0), int(last) + 3)
