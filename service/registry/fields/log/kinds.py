"""The kinds of log entry, each with the fields that belong to it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from service.registry.fields.log.animals import StockingDataSchema
from service.registry.fields.log.entry import LogData
from service.registry.fields.log.equipment import (
    AdjustmentDataSchema,
    CylinderDataSchema,
    FilterCleanDataSchema,
)
from service.registry.fields.log.observation import ObservationDataSchema
from service.registry.fields.log.plants import ReplantDataSchema, TrimDataSchema
from service.registry.fields.log.probes import (
    CalibrationDataSchema,
    ProbeBackDataSchema,
    ProbeOutDataSchema,
)
from service.registry.fields.log.water import (
    BufferDataSchema,
    DoseDataSchema,
    MedicationDataSchema,
    SaltDataSchema,
    WaterChangeDataSchema,
)
from service.registry.fields.log.water_tests import (
    GhTestDataSchema,
    KhTestDataSchema,
    NutrientTestDataSchema,
)
from service.registry.models.log import LogKind

KINDS: Final[Mapping[LogKind, LogData]] = {
    LogKind.WATER_CHANGE: WaterChangeDataSchema(),
    LogKind.DOSE: DoseDataSchema(),
    LogKind.KH_TEST: KhTestDataSchema(),
    LogKind.GH_TEST: GhTestDataSchema(),
    LogKind.NUTRIENT_TEST: NutrientTestDataSchema(),
    LogKind.TRIM: TrimDataSchema(),
    LogKind.REPLANT: ReplantDataSchema(),
    LogKind.FILTER_CLEAN: FilterCleanDataSchema(),
    LogKind.STOCKING: StockingDataSchema(),
    LogKind.CALIBRATION: CalibrationDataSchema(),
    LogKind.ADJUSTMENT: AdjustmentDataSchema(),
    LogKind.SALT: SaltDataSchema(),
    LogKind.MEDICATION: MedicationDataSchema(),
    LogKind.BUFFER: BufferDataSchema(),
    LogKind.CYLINDER: CylinderDataSchema(),
    LogKind.PROBE_OUT: ProbeOutDataSchema(),
    LogKind.PROBE_BACK: ProbeBackDataSchema(),
    LogKind.OBSERVATION: ObservationDataSchema(),
}
"""What belongs to each kind, in the order in which forms and documents list them."""
