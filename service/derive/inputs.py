"""What is loaded of one tank before anything is derived, and the pure way from it to a view."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

import numpy as np

from service.derive.co2.alkalinity import alkalinity_in_force
from service.derive.co2.crosscheck import co2_check_of
from service.derive.co2.current import (
    CONDUCTIVITY_VALID_MIN,
    Target,
    calibration_age_days,
    co2_at,
    co2_over,
    target_of,
)
from service.derive.co2.daily import co2_days_of
from service.derive.co2.lit import co2_above, co2_while_lit
from service.derive.light import LightSource, light_days_of, light_source
from service.derive.light_plan import judged_light, light_spans, planned_lit
from service.derive.local_time import local_day
from service.derive.models import (
    Co2High,
    Co2Now,
    Co2Series,
    GasModel,
    LightDay,
    LightNow,
    Quality,
    TankView,
)
from service.derive.sensor_choice import Believed, age_min, why_no_reading
from service.derive.temperature import daily_minima, excursions_of, since, temperature_at
from service.derive.thresholds import derived_limit
from service.derive.tolerance import Tolerance, tolerance_of
from service.registry.models import LogEntry, Tank
from service.registry.volume import net_volume_l
from service.science.temperature.forecast import WINDOW_S
from service.store.model import Reading, Samples, SeriesInfo
from service.times import from_us

LIGHT_QUANTITIES = ("ppfd", "illuminance")
RELEASE_SHARE = 0.95
"""A spell of too much CO2 is over once it is down at this share of the ceiling. Our choice."""


@dataclass(frozen=True, slots=True)
class Material:
    """The readings and entries that a view is derived from.

    Attributes:
        now: UTC.
        days: length of the stretch that ``samples`` cover, d.
        log: newest first.
        infos: what the store holds of each series of the tank.
        chosen: by quantity, the series to believe.
        latest: by quantity, the newest usable reading of that series.
        samples: by quantity, usable samples or means of that series.
        paired_temperature: temperature reading nearest to the latest pH reading.
        gas: the gas exchange as last fitted.
        known_days: light of days that are over, as derived before from the same readings.
    """

    tank: Tank
    now: datetime
    days: int
    log: tuple[LogEntry, ...]
    infos: tuple[SeriesInfo, ...] = ()
    chosen: Mapping[str, Believed] = field(default_factory=dict)
    latest: Mapping[str, Reading] = field(default_factory=dict)
    samples: Mapping[str, Samples] = field(default_factory=dict)
    paired_temperature: Reading | None = None
    gas: GasModel | None = None
    known_days: Mapping[date, LightDay] = field(default_factory=dict)

    def series(self, quantity: str) -> Samples:
        """The samples of a quantity; none where it is not measured."""
        return self.samples.get(quantity) or Samples.empty()

    def why_none(self, quantity: str) -> str:
        """One sentence on why a quantity has no present value."""
        chosen = self.chosen.get(quantity) or Believed(None)
        return why_no_reading(quantity, chosen.info, self.latest.get(quantity), self.now)

    def reasons(self, quantity: str) -> tuple[str, ...]:
        """Why another sensor than the tank's own choice is believed."""
        return (self.chosen.get(quantity) or Believed(None)).reasons


def view_from(material: Material) -> TankView:
    """Derive everything that rules and pages may know of a tank; pure."""
    tank, now = material.tank, material.now
    tolerance = tolerance_of(tank, material.log, now)
    target = target_of(tank, tolerance.co2_max_mg_l)
    temperature = material.series("temperature")
    series = co2_series_from(material)
    co2 = co2_now_from(material, target)
    source = light_source_from(material)
    first = local_day(tank, now - timedelta(days=material.days - 1))
    known = _known_days(material, first)
    days = known + light_days_of(
        tank,
        source,
        first + timedelta(days=len(known)),
        now,
        co2=series,
        target=target,
        temperature=temperature,
    )
    lit = tuple(one for day in days for one in day.lit) or planned_lit(tank, first, now)
    day_ago = now - timedelta(hours=24)
    judged = judged_light(tank, lit, material.log, now)
    while_lit = co2_while_lit(series, judged, target, day_ago, now)
    if while_lit is not None and not days:
        while_lit = replace(while_lit, lit_from="plan")
    return TankView(
        tank=tank,
        now=now,
        net_volume_l=net_volume_l(tank),
        co2=co2,
        co2_series=series,
        light_days=days,
        temperature=temperature_at(
            tank,
            now,
            tolerance,
            reading=material.latest.get("temperature"),
            samples=since(temperature, now - timedelta(seconds=WINDOW_S)),
            no_reading=material.why_none("temperature"),
            reasons=material.reasons("temperature"),
        ),
        excursions=excursions_of(tank, temperature, tolerance),
        log=material.log,
        sensors=material.infos,
        tolerance=tolerance,
        light=light_now_from(material, source),
        co2_lit=while_lit,
        co2_high=_high(tank, tolerance, series, day_ago, now),
        co2_days=co2_days_of(series, light_spans(tank, days, lit), target.low_mg_l),
        co2_check=co2_check_of(tank, material.log, co2, now),
        gas=material.gas,
        latest=material.latest,
        daily_minima_c=daily_minima(temperature, now),
        usual_c=float(np.median(temperature.value)) if len(temperature) else None,
    )


def _known_days(material: Material, first: date) -> tuple[LightDay, ...]:
    """The days from ``first`` on that need not be derived again."""
    known: list[LightDay] = []
    while (day := material.known_days.get(first + timedelta(days=len(known)))) is not None:
        known.append(day)
    return tuple(known)


def co2_now_from(material: Material, target: Target | None = None) -> Co2Now:
    """CO2 at the material's ``now``."""
    tank, now = material.tank, material.now
    if target is None:
        target = target_of(tank, tolerance_of(tank, material.log, now).co2_max_mg_l)
    return co2_at(
        tank,
        now,
        target=target,
        alkalinity=alkalinity_in_force(tank, material.log, now),
        ph=material.latest.get("ph"),
        no_ph=material.why_none("ph"),
        temperature=material.paired_temperature,
        calibrated_days_ago=calibration_age_days(material.log, "ph", now),
        conductivity_us_cm=_conductivity(material),
        reasons=material.reasons("ph"),
    )


def co2_series_from(material: Material) -> Co2Series:
    """CO2 at each pH sample of the material."""
    return co2_over(
        material.tank,
        material.log,
        material.series("ph"),
        material.series("temperature"),
        material.series("conductivity"),
    )


def light_source_from(material: Material) -> LightSource:
    """The light series to judge by: a PPFD sensor before a lux sensor."""
    lux = material.series("illuminance")
    for quantity in LIGHT_QUANTITIES:
        samples = material.series(quantity)
        if len(samples):
            return light_source(material.tank, quantity, samples, lux if len(lux) else None)
    return light_source(material.tank, "", Samples.empty())


def light_now_from(material: Material, source: LightSource) -> LightNow:
    """Light at the material's ``now``."""
    quantity = source.quantity or "illuminance"
    reading = material.latest.get(quantity)
    stale_min = derived_limit(material.tank, "stale_light_min")
    if not len(source.samples) or reading is None or age_min(reading, material.now) > stale_min:
        why = (material.why_none(quantity),)
        return LightNow(reading, None, None, Quality.STALE, why)
    lux, levels = source.lux, source.levels
    lit = bool(lux[-1] > levels.on_lux)
    other = np.flatnonzero(lux <= levels.off_lux if lit else lux > levels.on_lux)
    changed = None
    if other.size:
        changed = from_us(int(source.samples.time_us[min(int(other[-1]) + 1, lux.size - 1)]))
    return LightNow(reading, lit, changed, Quality.GOOD, material.reasons(quantity))


def _high(
    tank: Tank, tolerance: Tolerance, series: Co2Series, start: datetime, end: datetime
) -> Co2High | None:
    """CO2 against the animals' ceiling; without animals against the plants' target."""
    animals = tolerance.co2
    ceiling = tank.plants.co2_high_mg_l if animals is None else animals.co2_mg_l
    found = co2_above(series, ceiling, RELEASE_SHARE * ceiling, start, end)
    if found is None or animals is None:
        return found
    return replace(found, newcomers=animals.newcomer)


def _conductivity(material: Material) -> float | None:
    """The present conductivity, µS/cm, for the ionic strength; None where not measured."""
    reading = material.latest.get("conductivity")
    if reading is None or age_min(reading, material.now) > CONDUCTIVITY_VALID_MIN:
        return None
    return reading.value
