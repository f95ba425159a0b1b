"""Time the searches on a year of ten-second samples, beside a plain Python loop.

Run: python -m tests.bench.bench_series
The loop works on one week of the same series and is scaled to the year; all times are medians.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from service.science.light.days import days_of_light
from service.science.light.dose import lit_intervals, lux_hours
from service.science.numeric.checks import Floats
from service.science.temperature.excursions import degree_hours, excursions, rate_c_per_h
from service.science.temperature.forecast import forecast_crossing

STEP_S = 10.0
DAY_S = 86400.0
YEAR = int(365 * DAY_S / STEP_S)
WEEK = int(7 * DAY_S / STEP_S)


def series() -> tuple[Floats, Floats, Floats]:
    """Time, temperature with a day's and a month's wave and noise, lamp of eight hours."""
    rng = np.random.default_rng(1)
    moment = 1.7e9 + STEP_S * np.arange(YEAR)
    day = moment / DAY_S * 2 * np.pi
    temperature = 24.5 + 1.5 * np.sin(day) + 0.6 * np.sin(day / 30) + rng.normal(0, 0.02, YEAR)
    hour = (moment % DAY_S) / 3600
    lux = np.where((hour > 10) & (hour < 18), 12_000.0, 60.0) + rng.uniform(-50, 50, YEAR)
    return moment, temperature, lux


def loop_excursions(moment: list[float], temperature: list[float], limit: float) -> int:
    """Count runs above a limit with their area, the way one would write it first."""
    runs, area, outside = 0, 0.0, False
    for i in range(1, len(moment)):
        a, b = temperature[i - 1] - limit, temperature[i] - limit
        step = moment[i] - moment[i - 1]
        if a > 0 and b > 0:
            area += (a + b) / 2 * step
        elif a > 0 or b > 0:
            area += max(a, b) ** 2 / abs(b - a) / 2 * step
        if b > 0 and not outside:
            runs += 1
        outside = b > 0
    return runs


def median_ms(work: Callable[[], object], repeats: int = 7) -> float:
    """Median wall time of `work`, ms, after one run to warm up."""
    work()
    spent = []
    for _ in range(repeats):
        begin = time.perf_counter()
        work()
        spent.append((time.perf_counter() - begin) * 1e3)
    return statistics.median(spent)


def main() -> None:
    moment, temperature, lux = series()
    edges = np.arange(moment[0], moment[-1], DAY_S)
    loop_moment, loop_temperature = moment[:WEEK].tolist(), temperature[:WEEK].tolist()
    loop = median_ms(lambda: loop_excursions(loop_moment, loop_temperature, 26.0), 3)
    loop *= YEAR / WEEK
    rows: list[tuple[str, Callable[[], object]]] = [
        (
            "excursions, both sides, hysteresis 0.1 K",
            lambda: excursions(moment, temperature, 22.5, 26.0, hysteresis_c=0.1),
        ),
        (
            "excursions, no hysteresis (noise: thousands)",
            lambda: excursions(moment, temperature, 22.5, 26.0),
        ),
        ("excursions, outside all year", lambda: excursions(moment, temperature, None, 15.0)),
        ("degree_hours", lambda: degree_hours(moment, temperature, 26.0, "above")),
        ("lit_intervals", lambda: lit_intervals(moment, lux)),
        ("lux_hours", lambda: lux_hours(moment, lux)),
        ("days_of_light, 365 days", lambda: days_of_light(moment, lux, edges)),
        ("rate_c_per_h, window 1 h", lambda: rate_c_per_h(moment, temperature, 3600.0)),
        ("forecast_crossing", lambda: forecast_crossing(moment, temperature, 28.0)),
    ]
    print(f"{YEAR:,} samples, one year of {STEP_S:.0f} s; loop in Python: {loop:,.0f} ms")
    print(f"{'':46}{'ms':>9}{'loop / ours':>13}")
    for name, work in rows:
        spent = median_ms(work, 5)
        print(f"{name:46}{spent:9.1f}{loop / spent:13.0f}")


if __name__ == "__main__":
    main()
