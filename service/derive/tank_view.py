"""Everything that rules, pages and integrations may know of a tank, derived from its inputs."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import Final

from service.derive.co2.crosscheck import co2_check_of
from service.derive.co2.current import co2_now
from service.derive.co2.daily import co2_days_of
from service.derive.co2.gas_start import gas_start_of
from service.derive.co2.lit import RecentCo2, co2_above, co2_while_lit, recent_co2
from service.derive.co2.series import co2_series
from service.derive.co2.target import target_of
from service.derive.co2.value_cache import Co2ValueCache
from service.derive.inhabitants.tolerance import Tolerance
from service.derive.inputs import Inputs
from service.derive.light.day_cache import LightDayCache
from service.derive.light.days import first_day, light_days_of
from service.derive.light.now import light_now
from service.derive.light.plan import judged_light, light_spans, planned_lit
from service.derive.light.source import light_source_of
from service.derive.models.co2_days import Co2High
from service.derive.models.gas_exchange import GasModel
from service.derive.models.tank_view import TankView
from service.derive.temperature import daily_minima, excursions_of, temperature_now
from service.registry.models.tank import Tank
from service.registry.volume import net_volume_l
from service.science.numeric.ranks import median
from service.science.sensors.electrode_drift import ElectrodeDrift

RELEASE_SHARE: Final = 0.95
"""A spell of too much CO2 is over once it is down at this share of the ceiling. Our choice."""


@dataclass(frozen=True, slots=True)
class Derived:
    """What was derived of one tank before; each part is checked by all that it rests on."""

    co2: Co2ValueCache = field(default_factory=Co2ValueCache)
    light: LightDayCache = field(default_factory=LightDayCache)


def tank_view(
    inputs: Inputs,
    *,
    gas: GasModel | None = None,
    drift: ElectrodeDrift | None = None,
    before: Derived | None = None,
) -> TankView:
    """Derive everything that rules and pages may know of a tank.

    Args:
        inputs: of the last days.
        gas: the gas exchange as last fitted (``gas_exchange``; it takes a hundredth of a second).
        drift: of the pH probe, as last found from the mornings.
        before: what was derived of the tank before; only what changed is derived again.
    """
    tank, now = inputs.tank, inputs.now
    tolerance = inputs.tolerance
    target = target_of(tank, tolerance.co2_comfortable_mg_l)
    temperature = inputs.series("temperature")
    series = co2_series(inputs) if before is None else before.co2.series(inputs)
    co2 = co2_now(inputs, target, drift)
    source = light_source_of(inputs)
    first = first_day(inputs)
    light_days = light_days_of if before is None else before.light.days
    days = light_days(tank, source, first, now, co2=series, target=target, temperature=temperature)
    lit = tuple(one for day in days for one in day.lit) or planned_lit(tank, first, now)
    day_ago = now - timedelta(hours=24)
    judged = judged_light(tank, lit, inputs.log, now)
    while_lit = co2_while_lit(series, judged, target, day_ago, now)
    recent = recent_co2(series, day_ago, now)
    if while_lit is not None and not days:
        while_lit = replace(while_lit, lit_from="plan")
    return TankView(
        tank=tank,
        now=now,
        net_volume_l=net_volume_l(tank),
        co2=co2,
        co2_series=series,
        light_days=days,
        temperature=temperature_now(inputs, tolerance),
        excursions=excursions_of(tank, temperature, tolerance.tolerable),
        discomforts=excursions_of(tank, temperature, tolerance.comfortable),
        log=inputs.log,
        sensors=inputs.infos,
        believed=frozenset(one.info.key for one in inputs.chosen.values() if one.info is not None),
        sensors_left_out=inputs.left_out,
        slips=inputs.slips,
        clocks=inputs.clocks,
        probes_out=inputs.probes_out,
        tolerance=tolerance,
        light=light_now(inputs, source),
        co2_lit=while_lit,
        co2_high=_high(tank, tolerance, recent),
        co2_uncomfortable=_uncomfortable(tolerance, recent),
        co2_days=co2_days_of(series, light_spans(tank, days, lit), target.low_mg_l),
        gas_start=gas_start_of(tank, series, now),
        co2_check=co2_check_of(tank, inputs.log, co2, now, gas),
        gas=gas,
        ph_drift=drift,
        latest=inputs.latest,
        daily_minima_c=daily_minima(temperature, now),
        usual_c=median(temperature.value) if len(temperature) else None,
    )


def _high(tank: Tank, tolerance: Tolerance, recent: RecentCo2 | None) -> Co2High | None:
    """CO2 against the animals' ceiling; without animals against the plants' target."""
    animals = tolerance.co2
    ceiling = tank.targets.co2_high_mg_l if animals is None else animals.co2_mg_l
    found = co2_above(recent, ceiling, RELEASE_SHARE * ceiling)
    if found is None or animals is None:
        return found
    return replace(found, newcomers=animals.newcomer)


def _uncomfortable(tolerance: Tolerance, recent: RecentCo2 | None) -> Co2High | None:
    """CO2 against what the animals are comfortable with; None where that is all they tolerate."""
    animals = tolerance.co2
    if animals is None or animals.comfortable_mg_l >= animals.co2_mg_l:
        return None
    ceiling = animals.comfortable_mg_l
    found = co2_above(recent, ceiling, RELEASE_SHARE * ceiling)
    return None if found is None else replace(found, newcomers=animals.newcomer)
