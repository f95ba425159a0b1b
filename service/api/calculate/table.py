"""The table of formulas behind ``/v1/calculate/…``."""

from __future__ import annotations

from typing import Final

from service.api.calculate.air import AMMONIA, GASES
from service.api.calculate.carbonate import BICARBONATE, CARBONATE_KH, CO2, KH, PH
from service.api.calculate.dosing import DOSE, STOCK
from service.api.calculate.electrode import ELECTRODE
from service.api.calculate.formula import Formula
from service.api.calculate.light import LIGHT, LIGHT_ATTENUATION, LIGHT_SENSOR
from service.api.calculate.tank import VOLUME
from service.api.calculate.water import BLEND, MIX, REUSE, WATER_CHANGE

FORMULAS: Final[tuple[Formula, ...]] = (
    CO2,
    VOLUME,
    PH,
    KH,
    CARBONATE_KH,
    BICARBONATE,
    DOSE,
    STOCK,
    GASES,
    AMMONIA,
    LIGHT,
    LIGHT_SENSOR,
    LIGHT_ATTENUATION,
    ELECTRODE,
    WATER_CHANGE,
    BLEND,
    MIX,
    REUSE,
)
