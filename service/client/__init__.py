"""A typed client of the API, for scripts and for the command line.

It knows nothing of the service but its HTTP interface::

    from littoral import Client

    for one in Client().recommendations():
        print(one.severity, one.tank, one.title)
"""

from service.client.client import Client
from service.client.connection import DEFAULT_URL
from service.client.errors import ClientError, Fault, ProblemError, UnreachableError
from service.client.handover import (
    Absence,
    Emergency,
    Handover,
    Instruction,
    Occurrence,
    ReturnReport,
    SharingLink,
    TankReturn,
    TankSheet,
    Task,
)
from service.client.models import (
    Amount,
    Co2,
    Co2Point,
    Estimate,
    Event,
    Forecast,
    GrowingDay,
    GrowthFactor,
    LatestReading,
    Light,
    LogDraft,
    LogEntry,
    Nutrient,
    NutrientPoint,
    Nutrients,
    Picture,
    PredictedDay,
    Quantity,
    Range,
    Reading,
    Recommendation,
    Sensor,
    Tank,
    Temperature,
    WhatIf,
)
from service.client.observations import Observation, ObservationScale

__all__ = [
    "DEFAULT_URL",
    "Absence",
    "Amount",
    "Client",
    "ClientError",
    "Co2",
    "Co2Point",
    "Emergency",
    "Estimate",
    "Event",
    "Fault",
    "Forecast",
    "GrowingDay",
    "GrowthFactor",
    "Handover",
    "Instruction",
    "LatestReading",
    "Light",
    "LogDraft",
    "LogEntry",
    "Nutrient",
    "NutrientPoint",
    "Nutrients",
    "Observation",
    "ObservationScale",
    "Occurrence",
    "Picture",
    "PredictedDay",
    "ProblemError",
    "Quantity",
    "Range",
    "Reading",
    "Recommendation",
    "ReturnReport",
    "Sensor",
    "SharingLink",
    "Tank",
    "TankReturn",
    "TankSheet",
    "Task",
    "Temperature",
    "UnreachableError",
    "WhatIf",
]
