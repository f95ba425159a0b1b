"""CO2 by how fast cylinders emptied: the injection that was paid for, beside the one that was seen.

The fitted injection is in proportion to the measured CO2. Gas that left a cylinder gives an
injection that knows nothing of pH or KH, but for the share of the gas that dissolves. CO2 by gas
use is CO2 by KH times the ratio of the two.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from service.derive.gas_exchange import gas_hours_per_day
from service.derive.models.gas_exchange import GasModel
from service.registry.models.log import LogEntry, LogKind, oldest_first
from service.registry.models.tank import Tank
from service.registry.volume import net_volume_l
from service.science.numeric.weighing import OneEstimate

BY_GAS_USE: Final = "gas use"
DISSOLVED_SHARE: Final = 0.7
DISSOLVED_LOG_SD: Final = 0.3
"""Share of the gas that dissolves, and the standard deviation of its logarithm: 40 to 95 % with the
diffusers and reactors in use. Common practice, no source."""
EMPTY_LOG_SD: Final = 0.1
"""How full a cylinder was, and how empty when it was replaced. Our choice."""
LEAST_DAYS: Final = 10.0
OWN: Final = ("pH reading", "temperature and other ions")


def by_gas_use(
    tank: Tank, log: Sequence[LogEntry], gas: GasModel | None, by_kh: OneEstimate
) -> OneEstimate | None:
    """CO2 by gas use.

    Args:
        gas: fitted, with an injection.
        by_kh: CO2 by pH and KH now; what the fit shares with it cancels.

    Returns:
        None where two cylinders with their content are not in the log, or there is no fit.
    """
    if gas is None or gas.fit is None or gas.fit.injection_mg_l_h is None or gas.lead_h is None:
        return None
    volume_l = net_volume_l(tank)
    used = g_per_day(log)
    hours = gas_hours_per_day(tank)
    if volume_l is None or used is None or hours <= 0.0:
        return None
    by_use = used * 1000.0 * DISSOLVED_SHARE / (volume_l * hours)
    ratio = float(np.log(by_use / float(gas.fit.injection_mg_l_h.value)))
    moved = {name: move for name, move in by_kh.moved_by.items() if name in OWN}
    moved["share of the gas that dissolves"] = DISSOLVED_LOG_SD
    moved["content of the cylinder"] = EMPTY_LOG_SD
    moved["fitted injection"] = float(gas.fit.log_covariance[2, 2]) ** 0.5
    return OneEstimate(BY_GAS_USE, by_kh.ln_value + ratio, moved)


def g_per_day(log: Sequence[LogEntry]) -> float | None:
    """Gas that the last finished cylinder lost per day, g; None where that is not known."""
    cylinders = oldest_first(one for one in log if one.kind == LogKind.CYLINDER)
    if len(cylinders) < 2:
        return None
    before, newest = cylinders[-2:]
    days = (newest.time - before.time).total_seconds() / 86_400
    grams = before.data.get("g")
    return None if grams is None or days < LEAST_DAYS else float(grams) / days
