"""Temperature of a tank: the present one, its rate, forecast, excursions and daily minima."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np

from service.derive.inhabitants.tolerance import Tolerance
from service.derive.inputs import Inputs
from service.derive.models.quality import Quality
from service.derive.models.temperature import Forecast, TemperatureNow
from service.derive.sensors.choice import age_min
from service.derive.thresholds import derived_limit
from service.registry.models.tank import Tank
from service.registry.species.ranges import SharedRange
from service.science.temperature.daily_course import daily_course
from service.science.temperature.excursions import Excursion, excursions
from service.science.temperature.forecast import HORIZON_S, WINDOW_S, forecast_crossing
from service.science.temperature.rate import rate_c_per_h
from service.store.model import Reading, Samples
from service.times import to_us

RATE_WINDOW_S = 3600.0
MOST_DAYS = 14
UNSEEN_US = 3 * 3600 * 1_000_000
"""A longer stretch without readings may have held the lowest of the day. Our choice."""
LEAST_RATE_K_H = 0.05
"""A slower drift is not forecast: half a day of it stays within 0.6 K. Our choice."""


def temperature_now(inputs: Inputs, tolerance: Tolerance | None = None) -> TemperatureNow:
    """Temperature at ``now`` of the inputs, with its rate and forecast.

    Args:
        tolerance: what to judge it by; None for that of the tank.
    """
    return temperature_at(
        inputs.tank,
        inputs.now,
        inputs.tolerance if tolerance is None else tolerance,
        reading=inputs.latest.get("temperature"),
        samples=inputs.series("temperature"),
        no_reading=inputs.why_none("temperature"),
        reasons=inputs.reasons("temperature"),
    )


def temperature_at(
    tank: Tank,
    now: datetime,
    tolerance: Tolerance,
    *,
    reading: Reading | None,
    samples: Samples,
    no_reading: str = "there is no usable temperature reading",
    reasons: tuple[str, ...] = (),
) -> TemperatureNow:
    """Temperature at ``now`` from single readings.

    Args:
        reading: newest usable reading of the sensor that counts.
        samples: usable samples of the last days, for the rate and the forecast.
        no_reading: the sentence to give when the reading is missing or too old.
    """
    notes = [*reasons, *range_notes(tolerance)]
    stale = reading is None or age_min(reading, now) > derived_limit(tank, "stale_temperature_min")
    if stale:
        notes.insert(0, no_reading)
    rate = None if stale else _rate(samples)
    return TemperatureNow(
        reading=reading,
        rate_k_h=rate,
        tolerable=tolerance.tolerable,
        comfortable=tolerance.comfortable,
        quality=Quality.STALE if stale else Quality.GOOD,
        reasons=tuple(notes),
        forecast=None if rate is None else _forecast(tolerance, samples, rate),
    )


def range_notes(tolerance: Tolerance) -> list[str]:
    """What to know of the limits: too narrow for all, or not known of some animals."""
    notes = [tolerance.too_narrow] if tolerance.too_narrow else []
    if tolerance.unknown:
        notes.append(f"no temperature range is known of {' and '.join(tolerance.unknown)}")
    return notes


def excursions_of(tank: Tank, samples: Samples, limits: SharedRange) -> tuple[Excursion, ...]:
    """When temperature left a range, oldest first.

    Args:
        samples: usable samples, sorted by time.
        limits: what all animals tolerate, or where all are comfortable.
    """
    if limits.is_open or _within(samples, limits):
        return ()
    return tuple(
        excursions(
            samples.time_s,
            samples.value,
            limits.low_c,
            limits.high_c,
            hysteresis_c=derived_limit(tank, "excursion_hysteresis_c"),
            min_length_s=derived_limit(tank, "excursion_min_min") * 60,
        )
    )


def _within(samples: Samples, limits: SharedRange) -> bool:
    """Whether all samples lie within a range."""
    if not len(samples):
        return True
    low, high = limits.low_c, limits.high_c
    return bool(
        (low is None or samples.value.min() >= low)
        and (high is None or samples.value.max() <= high)
    )


def daily_minima(samples: Samples, now: datetime) -> tuple[float, ...]:
    """Lowest temperature of each stretch of 24 h up to ``now``, oldest first.

    Stops at the first stretch, going back, of which too much was not seen: it may have been lower
    then.
    """
    time_us = samples.time_us
    edges = [to_us(now - timedelta(days=day)) for day in range(MOST_DAYS + 1)]
    bounds = np.searchsorted(time_us, edges, side="right").tolist()
    unseen = np.flatnonzero(np.diff(time_us) > UNSEEN_US).tolist()
    minima: list[float] = []
    for (end, begin), (until_us, since_us) in zip(pairwise(bounds), pairwise(edges), strict=True):
        if (
            begin == end
            or time_us[begin] - since_us > UNSEEN_US
            or until_us - time_us[end - 1] > UNSEEN_US
            or any(begin <= one < end - 1 for one in unseen)
        ):
            break
        minima.append(float(samples.value[begin:end].min()))
    return tuple(reversed(minima))


def _rate(samples: Samples) -> float | None:
    """K/h over the last hour; None where there are too few samples."""
    if not len(samples):
        return None
    time_us = samples.time_us
    since = int(time_us.searchsorted(time_us[-1] - int(RATE_WINDOW_S * 1e6)))
    if len(samples) - since < 3:
        return None
    rates = rate_c_per_h(time_us[since:] / 1e6, samples.value[since:], RATE_WINDOW_S)
    return None if np.isnan(rates[-1]) else float(rates[-1])


def _forecast(tolerance: Tolerance, samples: Samples, rate_k_h: float) -> Forecast | None:
    """When the limit that temperature is heading for will be crossed, if it will."""
    rising = rate_k_h > 0
    limit = tolerance.tolerable.end_c("above" if rising else "below")
    if limit is None or abs(rate_k_h) < LEAST_RATE_K_H:
        return None
    level = float(samples.value[-1])
    if (level >= limit) if rising else (level <= limit):
        return None
    if abs(limit - level) / abs(rate_k_h) > 1.5 * HORIZON_S / 3600:
        return None
    course = daily_course(
        samples.time_s,
        samples.value,
        float(samples.time_s[-1]),
        back_h=WINDOW_S / 3600,
        ahead_h=HORIZON_S / 3600,
    )
    crossing = forecast_crossing(samples.time_s, samples.value, limit, course=course)
    if crossing is None:
        return None
    return Forecast(
        side="above" if rising else "below",
        limit_c=limit,
        at_s=crossing.at_s,
        earliest_s=crossing.earliest_s,
        latest_s=crossing.latest_s,
        probability=crossing.probability,
    )
