"""A typed client of the API, for scripts and for the command line.

It knows nothing of the service but its HTTP interface::

    from service.client import Client

    for one in Client().recommendations():
        print(one.severity, one.tank, one.title)
"""

from service.client.client import DEFAULT_URL, Client
from service.client.errors import ClientError, Fault, ProblemError, UnreachableError
from service.client.models import (
    Amount,
    Away,
    Co2,
    Co2Point,
    Estimate,
    Event,
    Forecast,
    Handover,
    Last,
    Light,
    Limit,
    LogEntry,
    Quantity,
    Range,
    Reading,
    Recommendation,
    ReturnReport,
    Sensor,
    Share,
    Tank,
    TankReturn,
    TankSheet,
    Task,
    Temperature,
    Told,
)

__all__ = [
    "DEFAULT_URL",
    "Amount",
    "Away",
    "Client",
    "ClientError",
    "Co2",
    "Co2Point",
    "Estimate",
    "Event",
    "Fault",
    "Forecast",
    "Handover",
    "Last",
    "Light",
    "Limit",
    "LogEntry",
    "ProblemError",
    "Quantity",
    "Range",
    "Reading",
    "Recommendation",
    "ReturnReport",
    "Sensor",
    "Share",
    "Tank",
    "TankReturn",
    "TankSheet",
    "Task",
    "Temperature",
    "Told",
    "UnreachableError",
]
