"""The figures of a tank that integrations publish; None for what is stale or unknown."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from service.advice.engine.recommendation import Recommendation, Severity
from service.derive.light.source import lux_factor
from service.derive.local_time import local_day
from service.derive.models.light import LightDay, LightNow
from service.derive.models.quality import Quality
from service.derive.models.tank_view import TankView
from service.derive.sensors.choice import age_min, ago
from service.derive.thresholds import STALE_NAME, derived_limit
from service.registry.models.recommendations import State
from service.registry.models.tank import Tank
from service.store.model import Reading
from service.times import from_us

TEMPERATURE: Final = "temperature"
PH: Final = "ph"
LIGHT: Final = "light"
ILLUMINANCE: Final = "illuminance"
CONDUCTIVITY: Final = "conductivity"
OXYGEN: Final = "dissolved_oxygen"
NONE: Final = "none"
WORST_WORDS: Final = (NONE, *(severity.word for severity in Severity))

_SOURCES: Final[Mapping[str, str]] = {
    TEMPERATURE: TEMPERATURE,
    PH: PH,
    "illuminance": LIGHT,
    "ppfd": LIGHT,
}


_PLAIN: Final[Mapping[str, str]] = {
    ILLUMINANCE: "",  # that there is no light reading is said of light
    CONDUCTIVITY: "conductivity",
    OXYGEN: "dissolved oxygen",
}
"""Quantities that are published as they were measured, and what they are called where they are
missing."""


@dataclass(frozen=True, slots=True)
class Number:
    """One number of a tank, as devices show it.

    Attributes:
        source: what has to be measured for it to exist: temperature, ph, light, or a quantity that
            is published as it was measured.
        unit: for people.
        value: None where there is no present one.
    """

    key: str
    name: str
    source: str
    unit: str | None
    value: float | None


@dataclass(frozen=True, slots=True)
class Figures:
    """A tank at one evaluation. ``None`` means: not known now, whatever was known before.

    Attributes:
        measured: which of ``temperature``, ``ph``, ``light`` and the quantities that are published
            as they were measured have ever been measured.
        missing: of those, the ones without a present value, each with one sentence why.
        co2_mg_l, co2_low_mg_l, co2_high_mg_l: estimate and its 95 % interval.
        co2_state: where it lies against the target, or ``unknown``.
        lit: whether the tank counts as lit.
        ppfd_umol_m2_s: measured, or from lux by the lamp's factor.
        dli_mol_m2_d, photoperiod_h: of the local day so far, as far as it was seen.
        light_seen_percent: how much of the local day so far the light sensor saw.
        open_by_severity: how many recommendations are open.
        worst: highest severity of those; None without any.
    """

    measured: frozenset[str]
    missing: Mapping[str, str]
    temperature_c: float | None
    temperature_rate_k_h: float | None
    ph: float | None
    co2_mg_l: float | None
    co2_low_mg_l: float | None
    co2_high_mg_l: float | None
    co2_state: str
    lit: bool | None
    ppfd_umol_m2_s: float | None
    dli_mol_m2_d: float | None
    photoperiod_h: float | None
    light_seen_percent: float | None
    illuminance_lx: float | None
    conductivity_us_cm: float | None
    oxygen_mg_l: float | None
    open_by_severity: Mapping[Severity, int]
    worst: Severity | None

    @property
    def numbers(self) -> list[Number]:
        """The numbers that were ever measured of the tank, or computed from what was."""
        found = [
            Number("temperature", "Temperature", TEMPERATURE, "°C", self.temperature_c),
            Number("ph", "pH", PH, None, self.ph),
            Number("co2", "Dissolved CO2", PH, "mg/L", self.co2_mg_l),
            Number("co2_low", "Dissolved CO2, at least", PH, "mg/L", self.co2_low_mg_l),
            Number("co2_high", "Dissolved CO2, at most", PH, "mg/L", self.co2_high_mg_l),
            Number("ppfd", "PPFD", LIGHT, "µmol/m²/s", self.ppfd_umol_m2_s),
            Number("dli", "Daily light integral so far", LIGHT, "mol/m²/d", self.dli_mol_m2_d),
            Number("photoperiod", "Lit so far today", LIGHT, "h", self.photoperiod_h),
            Number(
                "seen", "Share of the day with light readings", LIGHT, "%", self.light_seen_percent
            ),
            Number("illuminance", "Illuminance", ILLUMINANCE, "lx", self.illuminance_lx),
            Number("conductivity", "Conductivity", CONDUCTIVITY, "µS/cm", self.conductivity_us_cm),
            Number("oxygen", "Dissolved oxygen", OXYGEN, "mg/L", self.oxygen_mg_l),
        ]
        return [one for one in found if one.source in self.measured]

    @property
    def worst_word(self) -> str:
        """The highest severity of open recommendations, or ``none``."""
        return NONE if self.worst is None else self.worst.word

    @property
    def open(self) -> int:
        """How many recommendations are open."""
        return sum(self.open_by_severity.values())


def figures_of(view: TankView, current: Sequence[Recommendation]) -> Figures:
    """The figures of an evaluation.

    Args:
        current: recommendations that stand; only the open ones count.
    """
    temperature, co2 = view.temperature, view.co2
    light = view.light or LightNow(None, None, None, Quality.STALE)
    sources: dict[str, tuple[Reading | None, Quality, tuple[str, ...]]] = {
        TEMPERATURE: (temperature.reading, temperature.quality, temperature.reasons),
        PH: (co2.ph, co2.quality, co2.reasons),
        LIGHT: (light.reading, light.quality, light.reasons),
    }
    quantities = {one.key.quantity for one in view.sensors}
    measured = {_SOURCES[one] for one in quantities & _SOURCES.keys()} | (
        quantities & _PLAIN.keys()
    )
    fresh: dict[str, Reading] = {}
    missing: dict[str, str] = {}
    for name, (reading, quality, reasons) in sources.items():
        if reading is not None and quality is not Quality.STALE and math.isfinite(reading.value):
            fresh[name] = reading
        elif name in measured:
            reason = reasons[0] if reasons else f"{name} is not known"
            missing[name] = _with_moment(reason, reading, view)
    plain = {name: _plain(view, name) for name in _PLAIN}
    for name, words in _PLAIN.items():
        if words and name in measured and plain[name] is None:
            missing[name] = _why_missing(view, name, words)
    estimate = co2.co2
    bright = fresh.get(LIGHT)
    today = None if bright is None else _today(view)
    opened = Counter(one.finding.severity for one in current if one.state is State.OPEN)
    return Figures(
        measured=frozenset(measured),
        missing=missing,
        temperature_c=_value(fresh.get(TEMPERATURE)),
        temperature_rate_k_h=_finite(temperature.rate_k_h) if TEMPERATURE in fresh else None,
        ph=_value(fresh.get(PH)),
        co2_mg_l=_finite(estimate.value) if estimate else None,
        co2_low_mg_l=_finite(estimate.low) if estimate else None,
        co2_high_mg_l=_finite(estimate.high) if estimate else None,
        co2_state=co2.state.value,
        lit=None if bright is None else light.lit,
        ppfd_umol_m2_s=None if bright is None else _ppfd(view.tank, bright),
        dli_mol_m2_d=_finite(today.dli_mol_m2_d) if today else None,
        photoperiod_h=_finite(today.photoperiod_h) if today else None,
        light_seen_percent=100 * today.covered_share if today else None,
        illuminance_lx=plain[ILLUMINANCE],
        conductivity_us_cm=plain[CONDUCTIVITY],
        oxygen_mg_l=plain[OXYGEN],
        open_by_severity={severity: opened[severity] for severity in Severity},
        worst=max(opened, default=None),
    )


def _with_moment(reason: str, reading: Reading | None, view: TankView) -> str:
    """The reason with the moment of a reading for its age: published once, it stays true."""
    if reading is None:
        return reason
    at = from_us(reading.time_us).astimezone(ZoneInfo(view.tank.time_zone))
    return reason.replace(ago(reading, view.now), f"on {at:%d %b} at {at:%H:%M}")


def _plain(view: TankView, quantity: str) -> float | None:
    """The newest usable reading of a quantity; None where it is too old."""
    reading = view.latest.get(quantity)
    if reading is None or age_min(reading, view.now) > derived_limit(
        view.tank, STALE_NAME[quantity]
    ):
        return None
    return _finite(reading.value)


def _why_missing(view: TankView, quantity: str, words: str) -> str:
    reading = view.latest.get(quantity)
    if reading is None:
        return f"no usable reading of {words}"
    at = from_us(reading.time_us).astimezone(ZoneInfo(view.tank.time_zone))
    return f"the latest usable reading of {words} was on {at:%d %b} at {at:%H:%M}"


def _ppfd(tank: Tank, reading: Reading) -> float:
    """Measured, or from lux by the lamp's factor."""
    factor = lux_factor(tank) if reading.quantity == "illuminance" else 1.0
    return max(reading.value, 0.0) * factor


def _today(view: TankView) -> LightDay | None:
    """The light of the tank's local day so far."""
    last = view.light_days[-1] if view.light_days else None
    return last if last is not None and last.day == local_day(view.tank, view.now) else None


def _value(reading: Reading | None) -> float | None:
    return None if reading is None else reading.value


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
