"""Gas exchange as it was fitted to a tank's own series."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.derive.models.quality import EstimatedValue
from service.science.gas_exchange.fit import GasExchangeFit


@dataclass(frozen=True, slots=True)
class GasModel:
    """Gas exchange fitted to the tank's own series, and what follows for its target.

    Attributes:
        fit: exchange coefficient and injection with intervals; None where they can't be fitted.
        lead_h: hours of gas from the night's level to the lower end of the target; ``math.inf``
            where it is not reached at the present rate; None without an injection.
        steady_mg_l: level that gas and loss settle at.
        gas_g_per_day: gas dissolved per day, a lower bound of what the cylinder loses.
        fitted: when; from the days before.
        reason: why there is no fit, or what is missing in it.
        notes: sentences on what was found beside: changes, a night that differs from the day, a
            target that is not reached.
    """

    fit: GasExchangeFit | None
    fitted: datetime
    lead_h: EstimatedValue | None = None
    steady_mg_l: EstimatedValue | None = None
    gas_g_per_day: EstimatedValue | None = None
    reason: str = ""
    notes: tuple[str, ...] = ()
