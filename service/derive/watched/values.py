"""What can be watched of a tank: a value for each day, None where sensors did not show it.

To add one, write its function and a row of ``WATCHED``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from types import MappingProxyType
from typing import Final

import numpy as np

from service.derive.co2.lit import co2_while_lit
from service.derive.co2.mornings import nights_of
from service.derive.local_time import local_moment
from service.derive.models.light import LightDay
from service.derive.nutrients.estimate import nutrients_of
from service.derive.observations import daily_levels
from service.derive.temperature import excursions_of
from service.derive.watched.tank_days import LEAST_KNOWN_SHARE, TankDays
from service.registry.log.observations import OBSERVATIONS
from service.registry.models.tank import Tank
from service.registry.volume import net_volume_l
from service.science.constants import LN10
from service.science.gas_exchange.air_water import pressure_atm_from_altitude
from service.science.gas_exchange.balance import dissolved_mg_l
from service.science.sensors.electrode_drift import morning_floors
from service.science.temperature.excursions import MAX_GAP_S, Excursion
from service.store.model import Samples
from service.times import to_us

DayValues = Mapping[date, float | None]


@dataclass(frozen=True, slots=True)
class Watched:
    """One thing that can be watched.

    Attributes:
        name: as in commands, addresses and topics.
        title: for people, as the beginning of a sentence.
        unit: UCUM.
        digits: after the point, for people; a difference that rounds to 0 is none.
        of: the value of each day that is there, None where it is not known.
        from_sensors: whether a day without a value is left out for a sensor's sake; else nobody
            looked.
        fits: whether a tank has it at all.
        rests_on: log kinds that change how it is measured, beside what changes it.
        reached_at: what counts is the first day after the change with so much; None: the mean.
    """

    name: str
    title: str
    unit: str
    digits: int
    of: Callable[[TankDays], DayValues]
    from_sensors: bool = True
    fits: Callable[[Tank], bool] = lambda tank: True
    rests_on: tuple[str, ...] = ()
    reached_at: float | None = None

    @property
    def unit_words(self) -> str:
        """The unit of a difference, for people."""
        return _UNIT_WORDS.get(self.unit, self.unit)

    def shown(self, value: float) -> str:
        """A number of it for people, without its unit and its sign."""
        return f"{abs(value):.{self.digits}f}"


def _at_lights_on(days: TankDays) -> DayValues:
    """CO2 when the lamp goes on."""
    return {
        day: None if (one := days.co2_days.get(day)) is None else one.at_on_mg_l
        for day in days.days
    }


def _night_low(days: TankDays) -> DayValues:
    """Lowest CO2 of the dark; None where its end is not known, to which CO2 falls.

    A night that sensors show the beginning of alone has no lowest value yet.
    """
    found: dict[date, float | None] = dict.fromkeys(days.days)
    latest = max(days.spans, default=None)
    for day in days.days:
        one, following = days.co2_days.get(day), days.spans.get(day + timedelta(days=1))
        if one is None or (following is None and day != latest):
            continue
        planned = local_moment(days.tank, day + timedelta(days=1), days.tank.light.start)
        end = planned if following is None else following.on
        if one.night_h >= LEAST_KNOWN_SHARE * (end - one.night_from) / timedelta(hours=1):
            found[day] = one.night_low_mg_l
    return found


def _within_target(days: TankDays) -> DayValues:
    """Percent of the light with CO2 within target."""
    found: dict[date, float | None] = {}
    for day in days.days:
        span, lit = days.spans.get(day), None
        if span is not None:
            lit = co2_while_lit(days.co2, [(span.on, span.off)], days.target, span.on, span.off)
        if lit is None or lit.known_min < LEAST_KNOWN_SHARE * lit.lit_min:
            found[day] = None
        else:
            found[day] = 100.0 * lit.within_min / lit.known_min
    return found


def _of_light_day(value: Callable[[LightDay], float | None]) -> Callable[[TankDays], DayValues]:
    def of(days: TankDays) -> DayValues:
        found: dict[date, float | None] = {}
        for day in days.days:
            one = days.light.get(day)
            seen = one is not None and one.covered_share >= LEAST_KNOWN_SHARE
            found[day] = value(one) if one is not None and seen else None
        return found

    return of


def _degree_hours(days: TankDays) -> DayValues:
    """Degree-hours outside the range in which all animals are comfortable."""
    samples, limits = days.inputs.series("temperature"), days.inputs.tolerance.comfortable
    found: dict[date, float | None] = {}
    for day in days.days:
        if limits.is_open or days.known_share("temperature", day, MAX_GAP_S) < LEAST_KNOWN_SHARE:
            found[day] = None
            continue
        begin, end = (to_us(one) for one in days.edges(day))
        part = slice(*np.searchsorted(samples.time_us, (begin, end)).tolist())
        own = Samples(samples.time_us[part], samples.value[part], samples.flags[part])
        outside: tuple[Excursion, ...] = excursions_of(days.tank, own, limits)
        found[day] = sum(one.degree_hours for one in outside)
    return found


def _gas_per_day(days: TankDays) -> DayValues:
    """CO2 dissolved from midnight to midnight, g."""
    volume_l, k20, series = net_volume_l(days.tank), days.k20_per_h, days.co2
    found: dict[date, float | None] = dict.fromkeys(days.days)
    if volume_l is None or k20 is None:
        return found
    pressure = float(pressure_atm_from_altitude(days.tank.altitude_m))
    known = ~np.isnan(series.value)
    time_us, value = series.time_us[known], series.value[known]
    celsius = days.temperature_at_co2[known]
    for day in days.days:
        begin, end = (to_us(one) for one in days.edges(day))
        part = slice(*np.searchsorted(time_us, (begin, end)).tolist())
        steps = np.diff(np.concatenate(([begin], time_us[part], [end]))) / 1e6
        if time_us[part].size < 2 or steps.max() > series.gap_s:
            continue
        mg_l = dissolved_mg_l(
            time_us[part] / 1e6,
            value[part],
            celsius[part],
            k20_per_h=k20,
            pressure_atm=pressure,
        )
        found[day] = mg_l * volume_l / 1000.0
    return found


def _ph_offset(days: TankDays) -> DayValues:
    """How much too high the pH probe reads by each night's floor of CO2, pH."""
    found: dict[date, float | None] = dict.fromkeys(days.days)
    k20, inputs = days.k20_per_h, days.inputs
    if k20 is None:
        return found
    floors = morning_floors(
        days.co2.time_us / 1e6,
        days.co2.value,
        days.temperature_at_co2,
        nights=nights_of(days.tank, inputs.start, inputs.now),
        k20_per_h=k20,
        pressure_atm=float(pressure_atm_from_altitude(days.tank.altitude_m)),
    )
    edges = [days.edges(day)[0].timestamp() for day in days.days]
    for one in floors:
        at = int(np.searchsorted(edges, one.time_s, side="right")) - 1
        if at >= 0:
            found[days.days[at]] = -one.log_floor / LN10
    return found


def _nutrient(ion: str, days: TankDays) -> DayValues:
    """Estimated level at the end of each day, mg/L, from doses, changes and tests."""
    inputs, found = days.inputs, dict[date, float | None]()
    nutrients = nutrients_of(days.tank, inputs.log, inputs.now, days=len(days.days) + 1.0)
    level = nutrients.of(ion)
    for day in days.days:
        begin, end = (to_us(one) for one in days.edges(day))
        part = slice(*np.searchsorted(nutrients.time_us, (begin, end)).tolist())
        found[day] = float(level.value[part].mean()) if level.value[part].size else None
    return found


def _seen(code: str, days: TankDays) -> DayValues:
    """The level of one kind of observation on the days on which it was observed."""
    levels = daily_levels(days.inputs.log, code, days.tank.time_zone)
    return {day: level for day, level in levels.items() if day in days.days}


def _injected(tank: Tank) -> bool:
    return tank.co2_injected


def _switched(tank: Tank) -> bool:
    return tank.co2_injected and tank.gas.start is not None and tank.gas.end is not None


_PROBE: Final = ("calibration", "kh-test")

_ION_DIGITS: Final = {"NO3": 1, "PO4": 2, "K": 1, "Fe": 3}

REACHED_PERCENT: Final = 80.0
"""Target is reached on a day with so much of the light within it. Our choice."""

_ROWS: Final = (
    Watched(
        "co2-at-lights-on", "CO2 at lights-on", "mg/L", 1,
        _at_lights_on, rests_on=_PROBE,
    ),
    Watched(
        "co2-within-target", "Share of light with CO2 within target", "%", 0,
        _within_target, fits=_injected, rests_on=_PROBE,
    ),
    Watched(
        "days-to-target", "Days until CO2 is within target for 80 % of the light", "%", 0,
        _within_target, fits=_injected, rests_on=_PROBE, reached_at=REACHED_PERCENT,
    ),
    Watched(
        "co2-night-low", "Lowest CO2 at night", "mg/L", 1,
        _night_low, rests_on=_PROBE,
    ),
    Watched(
        "dli", "Daily light (DLI)", "mol/m2/d", 2, _of_light_day(lambda one: one.dli_mol_m2_d),
    ),
    Watched("photoperiod", "Hours of light", "h", 2, _of_light_day(lambda one: one.photoperiod_h)),
    Watched(
        "temperature-excursions", "Degree-hours outside the comfortable temperature", "K.h", 1,
        _degree_hours,
    ),
    Watched(
        "gas-per-day", "CO2 dissolved per day", "g", 2, _gas_per_day,
        fits=_injected, rests_on=_PROBE,
    ),
    Watched(
        "ph-drift", "Offset of the pH probe", "[pH]", 2, _ph_offset,
        fits=_switched, rests_on=("calibration",),
    ),
    *(
        Watched(
            f"seen-{one.code}", one.title, "1", 1, partial(_seen, one.code), from_sensors=False,
        )
        for one in OBSERVATIONS.values()
    ),
    *(
        Watched(
            f"estimated-{ion.lower()}", f"Estimated {ion}", "mg/L", digits,
            partial(_nutrient, ion), rests_on=("nutrient-test",),
        )
        for ion, digits in _ION_DIGITS.items()
    ),
)  # fmt: skip

_UNIT_WORDS: Final = {
    "1": "steps",
    "%": "percentage points",
    "mol/m2/d": "mol/m²/d",
    "K.h": "°C·h",
    "[pH]": "pH",
}

WATCHED: Final[Mapping[str, Watched]] = MappingProxyType({one.name: one for one in _ROWS})


def watchable(tank: Tank) -> tuple[Watched, ...]:
    """What can be watched of a tank."""
    return tuple(one for one in WATCHED.values() if one.fits(tank))
