"""What else is dissolved in a tank and counts for its CO2: nutrients and humic acids."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Final

from numpy.typing import ArrayLike

from service.derive.models.quality import EstimatedValue
from service.derive.nutrients.dose_content import content_known
from service.derive.nutrients.estimate import nutrients_of
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Tank
from service.science.carbonate.alkalinity import without_other_bases
from service.science.carbonate.kh_test import MeasuredAlkalinity
from service.science.numeric.estimate import Z95

ESTIMATED_ANEW: Final = timedelta(hours=6)
"""Nutrients are estimated anew so often: they move by a tenth in a day. Our choice."""
MOST_TANKS: Final = 512
_KINDS: Final = (LogKind.NUTRIENT_TEST, LogKind.WATER_CHANGE, LogKind.DOSE, LogKind.BUFFER)


@dataclass(frozen=True, slots=True)
class BesideCarbonate:
    """Levels of what counts beside alkalinity, mg/L; None and 0 where nothing is known.

    Attributes:
        phosphate_sd_mg_l: standard deviation of the phosphate.
        organic_carbon_mg_l: dissolved, of humic kind.
    """

    phosphate_mg_l: float = 0.0
    phosphate_sd_mg_l: float = 0.0
    nitrate_mg_l: float | None = None
    potassium_mg_l: float | None = None
    organic_carbon_mg_l: float = 0.0

    @property
    def other_bases(self) -> bool:
        """Whether a KH test counts anything but carbonate."""
        return self.phosphate_mg_l > 0 or self.organic_carbon_mg_l > 0


NOTHING_ELSE: Final = BesideCarbonate()


def beside_carbonate(tank: Tank, log: Sequence[LogEntry], now: datetime) -> BesideCarbonate:
    """What is known of nutrients and humic acids at a moment.

    Nutrients count where they were tested or where a dose plan says what is in a fertiliser; else
    nothing is known of them, and nothing is taken off.

    Args:
        log: in any order.
    """
    carbon = tank.organic_carbon_mg_l or 0.0
    entries = tuple(one for one in log if one.kind in _KINDS and one.time <= now)
    tested = any(one.kind is LogKind.NUTRIENT_TEST for one in entries)
    dosed = any(one.kind is LogKind.DOSE for one in entries)
    if not tested and not (dosed and any(content_known(plan) for plan in tank.doses)):
        return BesideCarbonate(organic_carbon_mg_l=carbon)
    turn = ESTIMATED_ANEW.total_seconds()
    rounded = datetime.fromtimestamp(now.timestamp() // turn * turn, now.tzinfo)
    newest = max(one.time for one in entries)
    phosphate, nitrate, potassium = _estimated(_Asked(tank, entries, max(rounded, newest)))
    sd = (phosphate.high - phosphate.low) / (2 * Z95)
    return BesideCarbonate(phosphate.value, sd, nitrate.value, potassium.value, carbon)


def carbonate_part(
    tested: MeasuredAlkalinity, beside: BesideCarbonate, ph: ArrayLike, temperature_c: ArrayLike
) -> MeasuredAlkalinity:
    """A tested alkalinity without phosphate and humic acids."""
    if not beside.other_bases:
        return tested
    return without_other_bases(
        tested,
        ph,
        temperature_c,
        phosphate_mg_l=beside.phosphate_mg_l,
        phosphate_sd_mg_l=beside.phosphate_sd_mg_l,
        organic_carbon_mg_l=beside.organic_carbon_mg_l,
    )


class _Asked:
    """A tank and its log as the key of a cache: equal where the nutrients are the same."""

    def __init__(self, tank: Tank, entries: tuple[LogEntry, ...], at: datetime) -> None:
        self.tank, self.entries, self.at = tank, entries, at
        plans = (tank.doses, tank.water_change, tank.net_volume_l, tank.dimensions)
        marks = tuple((one.id, one.time, one.recorded, repr(one.data)) for one in entries)
        self._key = (tank.id, repr(plans), marks, at)

    def __hash__(self) -> int:
        return hash(self._key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Asked) and self._key == other._key


@lru_cache(maxsize=MOST_TANKS)
def _estimated(asked: _Asked) -> tuple[EstimatedValue, EstimatedValue, EstimatedValue]:
    """Phosphate, nitrate and potassium."""
    found = nutrients_of(asked.tank, asked.entries, asked.at)
    phosphate, nitrate, potassium = (found.of(ion).level for ion in ("PO4", "NO3", "K"))
    return phosphate, nitrate, potassium
