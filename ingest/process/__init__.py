"""Samples in; readings with flags, and rejections, out: the one road of MQTT, HTTP and CSV.

``service`` imports from here and from nowhere else in ``ingest``.
"""

from ingest.decode.decoder import decode, decode_records
from ingest.decode.message import PAYLOAD_LIMIT_BYTES, Message, Reason, rejection
from ingest.decode.payloads import Record
from ingest.decode.route_table import RoutesInUse, routes_in_use, why_refused
from ingest.decode.routes import RouteOptions, Target
from ingest.decode.sample import Arrival
from ingest.process.admission import SensorLimits
from ingest.process.calibration import Calibrations
from ingest.process.clock_record import record_clocks
from ingest.process.device_clock import ClockLimits
from ingest.process.outcomes import Outcome, Processed, Unchanged
from ingest.process.processor import Processor
from ingest.process.reference_data import ReferenceData
from ingest.process.water_temperature import order_of_belief

__all__ = [
    "PAYLOAD_LIMIT_BYTES",
    "Arrival",
    "Calibrations",
    "ClockLimits",
    "Message",
    "Outcome",
    "Processed",
    "Processor",
    "Reason",
    "Record",
    "ReferenceData",
    "RouteOptions",
    "RoutesInUse",
    "SensorLimits",
    "Target",
    "Unchanged",
    "decode",
    "decode_records",
    "order_of_belief",
    "record_clocks",
    "rejection",
    "routes_in_use",
    "why_refused",
]
