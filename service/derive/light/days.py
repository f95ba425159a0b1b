"""The light of a tank, local day by local day, and how it meets CO2 and warmth."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import numpy as np
import numpy.typing as npt

from service.derive.co2.lit import Lit
from service.derive.co2.series import co2_series
from service.derive.co2.target import Target, target_of
from service.derive.inputs import Inputs
from service.derive.light.source import LightSource, light_source_of, lux_factor
from service.derive.local_time import local_day, local_midnight
from service.derive.models.co2 import Array, Co2Series
from service.derive.models.light import LightDay
from service.derive.thresholds import derived_limit
from service.local_words import span_words
from service.registry.models.tank import Tank
from service.science.light.co2 import LitShare, lit_shares_by_co2
from service.science.light.days import FLASH_S, DayOfLight, clipped, days_of_light
from service.science.light.dose import LightDose, degree_hours_while_lit, lit_intervals
from service.science.numeric.intervals import SLOWEST_S
from service.store.model import Samples

SECONDS_PER_HOUR = 3600.0
LEAST_KNOWN_SHARE = 0.5
"""CO2 must be known for so much of the lit time before a share of it is given. Our choice."""
Co2Shares = tuple[float | None, float | None, float | None]
NO_SHARES: Co2Shares = (None, None, None)
NEARLY_ALL = 0.995
"""The minutes between the newest reading and now are no gap. Our choice."""
BESIDE = 3
"""So many samples on either side of a day tell how CO2 and temperature cross its edges."""


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


def lit_times(tank: Tank, source: LightSource, first: date, now: datetime) -> Lit | None:
    """When the light was on from a local day up to ``now``; None where no light is measured.

    Args:
        source: samples from before ``first`` help to find dark and bright.
    """
    start, end = local_midnight(tank, first).timestamp(), now.timestamp()
    if not source.quantity or start >= end:
        return None
    since = first_needed(tank, source, start)
    found = lit_intervals(
        source.samples.time_s[since:],
        source.lux[since:],
        on_lux=source.levels.on_lux,
        off_lux=source.levels.off_lux,
        min_on_s=FLASH_S,
        min_off_s=_flicker_s(tank),
        max_gap_s=source.gap_s,
    )
    here = (clipped(one, start, end) for one in found if one.start_s < end and one.end_s > start)
    return tuple((_moment(one.start_s), _moment(one.end_s)) for one in here)


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
    since = first_needed(tank, source, edges[0])
    found = days_of_light(
        source.samples.time_s[since:],
        source.lux[since:],
        edges,
        thresholds=source.levels,
        flicker_s=_flicker_s(tank),
        max_gap_s=source.gap_s,
    )
    measured = _lux_hours(source, edges)
    shares = _co2_shares(found, co2, target)
    warmth = _degree_hours(tank, found, temperature)
    return tuple(
        _described(tank, source, day, one, now, lux_hours, share, degree_hours)
        for day, one, lux_hours, share, degree_hours in zip(
            days, found, measured, shares, warmth, strict=False
        )
    )


def first_needed(tank: Tank, source: LightSource, start_s: float) -> int:
    """The sample from which on light since a time is found as from all: clearly on or off."""
    apart_s = _flicker_s(tank) + FLASH_S
    before = int(source.samples.time_us.searchsorted((start_s - apart_s) * 1e6))
    lux, levels = source.lux[:before][::-1], source.levels
    clear = (lux > levels.on_lux) | (lux <= levels.off_lux)
    newest = int(clear.argmax()) if before else 0
    return before - 1 - newest if before and clear[newest] else 0


def _flicker_s(tank: Tank) -> float:
    """A shorter dark break does not end the light."""
    return derived_limit(tank, "lit_min_off_min") * 60


def _lux_hours(source: LightSource, edges: Sequence[float]) -> list[float | None]:
    """Measured lx h per day; None without a lux sensor."""
    beside = source.beside
    if beside is None:
        return [None] * (len(edges) - 1)  # where it is the source: taken from the day itself
    lux = np.maximum(beside.value, 0.0)
    gap_s = source.beside_gap_s
    days = days_of_light(beside.time_s, lux, edges, thresholds=source.levels, max_gap_s=gap_s)
    return [one.dose.total for one in days]


def _described(
    tank: Tank,
    source: LightSource,
    day: date,
    found: DayOfLight,
    now: datetime,
    lux_hours: float | None,
    co2: Co2Shares,
    degree_hours: float | None,
) -> LightDay:
    factor = lux_factor(tank)
    edges_us = (found.start_s * 1e6, found.end_s * 1e6)
    begin, end = np.searchsorted(source.samples.time_us, edges_us).tolist()
    values = source.samples.value[begin:end]
    peak = float(values.max()) if values.size else None
    within, below, known = co2
    by_sensor = source.quantity == "ppfd"
    seen = found.cover > 0
    dli = found.dose.dli_mol_m2(factor) if seen else None
    unseen_s = max(found.end_s - found.start_s - found.dose.covered_s, 0.0)
    unseen_h = unseen_s / SECONDS_PER_HOUR
    return LightDay(
        day=day,
        lit=tuple((_moment(one.start_s), _moment(one.end_s)) for one in found.lit),
        photoperiod_h=found.hours if seen else None,
        photoperiod_low_h=found.hours_low,
        photoperiod_high_h=found.hours_high,
        lux_hours=lux_hours if by_sensor else (found.dose.total if seen else None),
        dli_mol_m2_d=dli,
        dli_high_mol_m2_d=dli_high_mol_m2(tank, dli, unseen_h, source.bright_lux),
        ppfd_peak_umol_m2_s=peak if by_sensor or peak is None else peak * factor,
        ppfd_from="sensor" if by_sensor else f"lux x {factor:g}",
        degree_hours_lit_k_h=degree_hours,
        co2_within_share=within,
        covered_share=min(found.cover, 1.0),
        unseen_h=unseen_h,
        complete=local_midnight(tank, day + timedelta(days=1)) <= now,
        on_at=None if found.on_s is None else _moment(found.on_s),
        off_at=None if found.off_s is None else _moment(found.off_s),
        bright_lux=None if np.isnan(found.bright_lux) else found.bright_lux,
        flickers=found.flickers,
        co2_below_share=below,
        co2_known_share=known,
        reason=_why_unseen(source, found),
    )


def dli_high_mol_m2(
    tank: Tank, seen_mol_m2: float | None, unseen_h: float, bright_lux: float
) -> float:
    """The light integral of a day had the lamp been at its brightest in all not seen of it."""
    unseen = LightDose(unseen_h * bright_lux, 0.0).dli_mol_m2(lux_factor(tank))
    return (seen_mol_m2 or 0.0) + unseen


def _why_unseen(source: LightSource, found: DayOfLight) -> str:
    """Why a day was not seen, or not all of it."""
    if found.cover >= NEARLY_ALL:
        return ""
    if source.step_s > SLOWEST_S:
        every = span_words(timedelta(seconds=source.step_s))
        return (
            f"the light sensor reads every {every}: too seldom "
            "to see when the lamp goes on and off, which takes a reading each "
            f"{SLOWEST_S / 60:.0f} min"
        )
    return (
        f"light readings cover {100 * found.cover:.0f} % of the day so far; in the rest it may "
        "have been lit"
    )


def _moment(time_s: float) -> datetime:
    return datetime.fromtimestamp(time_s, UTC)


def _degree_hours(
    tank: Tank, days: Sequence[DayOfLight], temperature: Samples | None
) -> Sequence[float | None]:
    """While lit, of each day; None without a thermometer."""
    if temperature is None or not len(temperature):
        return [None] * len(days)
    part = _around(temperature.time_us, days)
    return degree_hours_while_lit(
        temperature.time_us[part] / 1e6,
        temperature.value[part],
        [day.lit for day in days],
        derived_limit(tank, "degree_hours_base_c"),
    )


def _co2_shares(
    days: Sequence[DayOfLight], co2: Co2Series | None, target: Target | None
) -> list[Co2Shares]:
    """Shares of the lit time within and below target, of what is known; and how much that is."""
    if co2 is None or target is None or target.low_mg_l >= target.high_mg_l:
        return [NO_SHARES] * len(days)
    time_us, value = known_co2(co2)
    part = _around(time_us, days)
    found = lit_shares_by_co2(
        time_us[part] / 1e6,
        value[part],
        [day.lit for day in days],
        target.low_mg_l,
        target.high_mg_l,
        max_gap_s=co2.gap_s,
    )
    return [_of_known(share) for share in found]


def known_co2(co2: Co2Series) -> tuple[npt.NDArray[np.int64], Array]:
    """When CO2 is known, and what it is: others of its samples tell nothing of a day's edges."""
    known = ~np.isnan(co2.value)
    return co2.time_us[known], co2.value[known]


def _of_known(share: LitShare) -> Co2Shares:
    known = 1.0 - share.unknown
    if np.isnan(known) or known < LEAST_KNOWN_SHARE:
        return NO_SHARES
    within, below = (min(max(one / known, 0.0), 1.0) for one in (share.within, share.below))
    return within, below, known


def _around(time_us: npt.NDArray[np.int64], days: Sequence[DayOfLight]) -> slice:
    """The samples of days and a few on each side, so that lines reach over their edges."""
    edges_us = (days[0].start_s * 1e6, days[-1].end_s * 1e6)
    first, last = np.searchsorted(time_us, edges_us)
    return slice(max(int(first) - BESIDE, 0), int(last) + BESIDE)
