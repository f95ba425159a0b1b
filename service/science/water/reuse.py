"""Old tank water for house plants and the garden: how much, and when not.

Limits for irrigation water: Ayers & Westcot 1985, Water quality for agriculture, FAO Irrigation
and Drainage Paper 29 rev. 1, table 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from service.science.numeric.checks import as_number

UNRESTRICTED_US_CM: Final = 700.0
SEVERE_US_CM: Final = 3000.0
"""Conductivity up to which irrigation water needs no restriction, and above which it is
severely restricted: 0.7 and 3.0 dS/m (FAO 29, table 1)."""

SPRAY_ALKALINITY_MEQ_L: Final = 1.5
"""Bicarbonate above which overhead sprinkling leaves white marks (FAO 29, table 1)."""

FEEDING_NO3_MG_L: Final = 22.0
"""5 mg/L NO3-N, above which FAO 29 counts the nitrogen as fertiliser: 22 mg/L NO3."""

Verdict = Literal["fit", "dilute", "unfit"]


@dataclass(frozen=True)
class Reuse:
    """Verdict on old tank water, with litres and reasons.

    litres: old water fit to be used.  rainwater_l: rain or reverse-osmosis water to add.
    """

    verdict: Verdict
    litres: float
    rainwater_l: float
    reasons: tuple[str, ...]


def reuse_for_plants(
    litres: float,
    *,
    salt_added: bool,
    medicated: bool,
    conductivity_us_cm: float | None = None,
    alkalinity_meq_l: float | None = None,
    no3_mg_l: float | None = None,
) -> Reuse:
    """Judge `litres` of water taken out of a tank for watering plants in soil.

    Parameters
    ----------
    litres: water at hand, >= 0.
    salt_added: common salt was put in since the water was last wholly renewed.
    medicated: a remedy was put in since then, copper above all.
    conductivity_us_cm: µS/cm at 25 °C; alkalinity_meq_l: meq/L; no3_mg_l: mg/L; None = unknown.

    Returns
    -------
    Reuse. "dilute" means: mix with `rainwater_l` of rain water before use.

    Raises
    ------
    OutOfRangeError: a negative value.
    """
    at_hand = as_number("litres", litres, low=0, unit="L")
    if salt_added or medicated:
        causes = (("salt", salt_added), ("medication", medicated))
        what = " and ".join(name for name, added in causes if added)
        reason = f"down the drain, as local rules say, not on plants, since {what} was added"
        return Reuse("unfit", 0.0, 0.0, (reason,))
    reasons = ["not for drinking, nor on leaves that are eaten raw: it carries germs of the tank"]
    verdict: Verdict = "fit"
    rainwater = 0.0
    if conductivity_us_cm is None:
        reasons.append("conductivity not measured: salts unknown")
    else:
        conductivity = as_number("conductivity_us_cm", conductivity_us_cm, low=0, unit="µS/cm")
        if conductivity > SEVERE_US_CM:
            reason = f"{conductivity:.0f} µS/cm is above {SEVERE_US_CM:.0f}: too salty for plants"
            return Reuse("unfit", 0.0, 0.0, (reason,))
        if conductivity > UNRESTRICTED_US_CM:
            verdict = "dilute"
            rainwater = at_hand * (conductivity / UNRESTRICTED_US_CM - 1)
            reasons.append(f"{conductivity:.0f} µS/cm is above {UNRESTRICTED_US_CM:.0f}")
    if alkalinity_meq_l is not None:
        alkalinity = as_number("alkalinity_meq_l", alkalinity_meq_l, low=0, unit="meq/L")
        if alkalinity > SPRAY_ALKALINITY_MEQ_L:
            reasons.append("water the soil, do not spray: bicarbonate leaves white marks")
    if no3_mg_l is not None and as_number("no3_mg_l", no3_mg_l, low=0) > FEEDING_NO3_MG_L:
        reasons.append("counts as fertiliser: its nitrate is enough to leave out a feed")
    return Reuse(verdict, at_hand, rainwater, tuple(reasons))
