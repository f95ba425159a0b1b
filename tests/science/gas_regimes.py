"""Simulated tanks in regimes that a fit of gas exchange meets, and how it does on them.

The tanks are those of ``many_tanks``, with steps of their own. Each is read by an electrode with
errors of its own, and its KH is known from a test with an error; what the fit is told of both is
their standard deviation. Truth is that of the newest stretch.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from service.science.gas_exchange.changes import FitError
from service.science.gas_exchange.fit import GasExchangeFit, fit_gas_exchange
from tests.science.many_tanks import AIR_MG_L_PPM, Course, Electrodes, Tanks, simulate

CHANGE_DAYS = (3.0, 5.0, 7.0)
USUAL = Electrodes()


@dataclass(frozen=True)
class Regime:
    """A kind of tank, test kit and probe.

    ``kh`` range of KH, dKH; ``kit_sd_dkh``, ``offset_sd_ph`` errors; ``lamp_known`` whether a light
    sensor is there; ``refused`` whether the right answer is to refuse.
    """

    name: str
    made: Callable[[np.random.Generator, Tanks], Tanks] = lambda rng, tanks: tanks
    electrode: Electrodes = USUAL
    k20: tuple[float, float] = (0.15, 1.2)
    kh: tuple[float, float] = (3.0, 8.0)
    kit_sd_dkh: float = 0.29
    offset_sd_ph: float = 0.03
    lamp_known: bool = True
    refused: bool = False


@dataclass(frozen=True)
class Trial:
    """One tank: the truth, and what was found (None where refused, with ``reason``)."""

    text: str
    k_night: float
    k_day: float
    injection: float
    steady_mg_l: float
    fit: GasExchangeFit | None
    reason: str = ""


def _changed(**factors: float) -> Callable[[np.random.Generator, Tanks], Tanks]:
    def made(rng: np.random.Generator, tanks: Tanks) -> Tanks:
        return replace(tanks, change_day=rng.choice(CHANGE_DAYS, tanks.count), **factors)

    return made


def _air_stone(runs: str) -> Callable[[np.random.Generator, Tanks], Tanks]:
    def made(rng: np.random.Generator, tanks: Tanks) -> Tanks:
        return replace(tanks, air_stone=runs, air_stone_factor=rng.uniform(2.0, 5.0, tanks.count))

    return made


def _controller(rng: np.random.Generator, tanks: Tanks) -> Tanks:
    return replace(
        tanks,
        kh_dkh=4.0,
        controller_ph=6.63,
        hysteresis_ph=rng.uniform(0.02, 0.08, tanks.count),
        injection_mg_l_h=np.asarray(tanks.k20_per_h) * rng.uniform(60.0, 90.0, tanks.count),
        step_min=1,
    )


REGIMES = (
    Regime("plain"),
    Regime("noisy probe", electrode=Electrodes(white_sd=0.03, slow_sd=0.02), offset_sd_ph=0.05),
    Regime("soft water", kh=(1.5, 3.0)),
    Regime("still", k20=(0.1, 0.15)),
    Regime("nights differ", lambda rng, tanks: replace(tanks, night_log_sd=0.08)),
    Regime("many plants", lambda rng, tanks: replace(tanks, uptake_mg_l_h=4.0)),
    Regime(
        "lamp not known", lambda rng, tanks: replace(tanks, uptake_mg_l_h=0.0), lamp_known=False
    ),
    Regime("exchange doubled", _changed(k_change=2.0), k20=(0.15, 0.5)),
    Regime("exchange halved", _changed(k_change=0.5), k20=(0.3, 1.2)),
    Regime("valve opened by half", _changed(injection_change=1.5)),
    Regime("valve closed by a third", _changed(injection_change=0.67)),
    Regime("air stone, gas off", _air_stone("gas"), k20=(0.15, 0.4)),
    Regime("air stone, lamp off", _air_stone("night"), k20=(0.15, 0.4)),
    Regime("pH controller", _controller, k20=(0.15, 0.8), refused=True),
)


def trials(regime: Regime, *, count: int, seed: int) -> list[Trial]:
    """Fit so many tanks of a regime."""
    rng = np.random.default_rng(seed)
    k20 = np.exp(rng.uniform(*np.log(regime.k20), count))
    kh = rng.uniform(*regime.kh, count)
    tanks = regime.made(
        rng,
        Tanks(
            count,
            k20_per_h=k20,
            injection_mg_l_h=k20 * rng.uniform(18.0, 38.0, count),
            respiration_mg_l_h=rng.uniform(0.05, 0.5, count),
            uptake_mg_l_h=rng.uniform(0.5, 2.5, count),
            kh_dkh=kh,
            room_ppm=rng.uniform(480.0, 800.0, count),
            night_log_sd=0.02,
        ),
    )
    kh = np.broadcast_to(np.asarray(tanks.kh_dkh, float), (count,))
    electrode = replace(
        regime.electrode,
        offset_ph=rng.normal(0.0, regime.offset_sd_ph, count),
        slope=rng.normal(1.0, 0.015, count),
    )
    course = simulate(tanks, electrode, rng)
    tested = np.maximum(kh + rng.normal(0.0, regime.kit_sd_dkh, count), 0.5)
    return [_trial(regime, tanks, course, tank, float(tested[tank])) for tank in range(count)]


def _trial(regime: Regime, tanks: Tanks, course: Course, tank: int, kh_dkh: float) -> Trial:
    def of(value: object) -> float:
        return float(np.broadcast_to(np.asarray(value, float), (tanks.count,))[tank])

    changed = np.isfinite(of(tanks.change_day))
    k_day = of(tanks.k20_per_h) * (of(tanks.k_change) if changed else 1.0)
    injection = of(tanks.injection_mg_l_h) * (of(tanks.injection_change) if changed else 1.0)
    text = f"k {k_day:.2f}/h, J {injection:.1f}, KH {of(tanks.kh_dkh):.1f}"
    if changed:
        text += f", day {of(tanks.change_day):.0f}"
    fit, reason = None, ""
    try:
        fit = fit_gas_exchange(
            course.time_s,
            course.measured_mg_l(tank, kh_dkh),
            course.temperature_c[tank],
            lit=course.lit if regime.lamp_known else None,
            level_log_sd=float(
                np.hypot(regime.kit_sd_dkh / kh_dkh, np.log(10.0) * regime.offset_sd_ph)
            ),
        )
        reason = fit.injection_reason
    except FitError as error:
        reason = str(error)
    air = of(tanks.room_ppm) * AIR_MG_L_PPM
    steady = air + (injection + of(tanks.respiration_mg_l_h)) / (k_day * 1.024**4)
    return Trial(text, k_day * of(tanks.air_stone_factor), k_day, injection, steady, fit, reason)
