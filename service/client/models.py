"""Answers of the API as typed values; names as in the JSON."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value with its UCUM unit."""

    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True)
class Range:
    """From low to high; None where an end is open."""

    low: float | None
    high: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class Tank:
    """A tank; ``document`` is its whole JSON."""

    id: str
    name: str
    time_zone: str
    document: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Co2:
    """Dissolved CO2 of a tank now; ``co2`` is None when unknown, ``reasons`` say why."""

    tank: str
    time: datetime | None
    co2: Estimate | None
    method: str
    target: Range
    state: str
    quality: str
    reasons: list[str]


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a limit will be crossed if things stay as they are."""

    side: str
    limit: Quantity
    at: datetime | None
    probability: float


@dataclass(frozen=True, slots=True)
class Temperature:
    """Temperature of a tank now; None when unknown."""

    tank: str
    time: datetime | None
    temperature: Quantity | None
    rate: Quantity | None
    range: Range
    state: str
    quality: str
    forecast: Forecast | None
    reasons: list[str]


@dataclass(frozen=True, slots=True)
class Light:
    """The light of one local day; None where it is not measured."""

    tank: str
    date: date
    complete: bool
    photoperiod: Quantity | None
    lux_hours: Quantity | None
    dli: Quantity | None
    planned: Quantity
    target: Range
    reasons: list[str]


@dataclass(frozen=True, slots=True)
class NutrientPoint:
    """The level of a nutrient at one moment, mg/L."""

    time: datetime
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Nutrient:
    """One nutrient, estimated; ``uptake`` is its fall per day."""

    ion: str
    level: Estimate
    uptake: Estimate
    uptake_from: str
    tests: int
    points: list[NutrientPoint]


@dataclass(frozen=True, slots=True)
class Nutrients:
    """Estimated nutrients of a tank; ``reasons`` say what makes them wide."""

    tank: str
    time: datetime
    nutrients: list[Nutrient]
    reasons: list[str]


@dataclass(frozen=True, slots=True)
class GrowthFactor:
    """A condition of growth: fraction of what plants can use, None where not known."""

    name: str
    fraction: Estimate | None
    source: str


@dataclass(frozen=True, slots=True)
class GrowingDay:
    """Light, CO2 in the light and warmth of a day, and which of them limits growth."""

    factors: list[GrowthFactor]
    limiting: str


@dataclass(frozen=True, slots=True)
class PredictedDay:
    """A settled day."""

    photoperiod: Quantity
    lit_within: Estimate
    co2_at_lights_on: Estimate
    co2_peak: Estimate
    dli: Quantity | None
    growing: GrowingDay


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Today's settled day and the one asked for."""

    tank: str
    today: PredictedDay
    changed: PredictedDay
    reasons: list[str]


@dataclass(frozen=True, slots=True)
class Amount:
    """How much of what."""

    name: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class LogDraft:
    """The log entry that marking a recommendation as done leaves; ``asks``: what to send along."""

    kind: str
    asks: list[str]


@dataclass(frozen=True, slots=True)
class Recommendation:
    """What to do about a tank."""

    id: str
    tank: str
    code: str
    severity: str
    state: str
    title: str
    action: str
    amounts: list[Amount]
    cautions: list[str]
    who: str
    confidence: float
    due: datetime | None
    folded: bool
    evidence: list[dict[str, Any]]
    log: LogDraft | None = None


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture of a log entry: ``address`` and ``thumbnail`` are where the service has it."""

    id: str
    entry: str
    time: datetime
    kind: str
    width: int
    height: int
    bytes: int
    address: str
    thumbnail: str


@dataclass(frozen=True, slots=True)
class LogEntry:
    """What a person did or saw."""

    id: str
    tank: str
    kind: str
    time: datetime
    note: str
    by: str
    data: dict[str, Any]
    pictures: list[Picture] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading, or one span of them (then with ``count``)."""

    time: datetime
    quantity: str
    sensor: str
    value: float
    unit: str
    flags: list[str] = field(default_factory=list)
    count: int | None = None


@dataclass(frozen=True, slots=True)
class LatestReading:
    """The newest reading of a sensor, believed or not."""

    time: datetime
    value: float
    unit: str
    flags: list[str]


@dataclass(frozen=True, slots=True)
class Sensor:
    """One sensor of one quantity; ``believed``: derived values rest on it, ``why`` says why."""

    quantity: str
    sensor: str
    believed: bool
    why: str | None
    last: LatestReading


@dataclass(frozen=True, slots=True)
class Co2Point:
    """CO2 at one moment, mg/L; None where unknown."""

    time: datetime
    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Event:
    """One event of the event stream.

    Attributes:
        id: sequence of a change event; None of readings and trouble.
        type: ``listening``, ``recommendation.opened`` (``.changed``, ``.marked``, ``.cleared``),
            ``trial.begun`` (``.changed``, ``.judged``, ``.ended``, ``.broken-off``), ``reading`` or
            ``trouble``.
        data: its JSON.
    """

    id: int | None
    type: str
    data: dict[str, Any]
