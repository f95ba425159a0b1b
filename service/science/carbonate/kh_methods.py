"""How carbonate hardness is tested, and by how much the value of each method may be off.

Sources
-------
Scatter of a bottle's drop size: the European Pharmacopoeia lets the mass of 20 drops of a
standard dropper differ by 5 % (from memory); as rectangular limits that is a standard deviation
of 3 %, for good and for one bottle alike. One dKH a drop, marks of 0.1 dKH and fields 3 dKH
apart: common practice, no source. Misjudged colour of a strip: our choice.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final, NamedTuple

from service.science.numeric.coverage import RECTANGULAR_SD
from service.science.water.hardness import MEQ_L_PER_DEGREE


class KhMethod(StrEnum):
    """How carbonate hardness is tested."""

    DROPS = "drops"
    TITRATION = "titration"
    STRIP = "strip"


class KhMethodErrors(NamedTuple):
    """What a method's value may be off by, beside its step.

    ``step_dkh`` usual step: a drop, a mark of the syringe, the distance of a strip's fields;
    ``relative_sd`` of the amount of reagent; ``judgement_sd_steps`` of the colour, in steps.
    """

    step_dkh: float
    relative_sd: float
    judgement_sd_steps: float


DROP_SIZE_SD: Final = 0.05 * RECTANGULAR_SD
KH_METHODS: Final = {
    KhMethod.DROPS: KhMethodErrors(1.0, DROP_SIZE_SD, 0.0),
    KhMethod.TITRATION: KhMethodErrors(0.1, DROP_SIZE_SD, 0.0),
    KhMethod.STRIP: KhMethodErrors(3.0, 0.0, 0.25),
}


def usual_step_meq_l(method: KhMethod) -> float:
    """Step of a method where the kit's own is not known, meq/L."""
    return KH_METHODS[method].step_dkh * MEQ_L_PER_DEGREE
