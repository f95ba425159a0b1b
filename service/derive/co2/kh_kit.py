"""What a KH test kit's value says of the alkalinity."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from service.registry.models.tank import KhKit
from service.science.carbonate.kh_methods import usual_step_meq_l
from service.science.carbonate.kh_test import MeasuredAlkalinity, alkalinity_of_test

MOST_VALUES: Final = 4096
"""Values of kits that are remembered: each tank's are asked for several times in each view."""


@lru_cache(maxsize=MOST_VALUES)
def measured_by(kit: KhKit, read_meq_l: float) -> MeasuredAlkalinity:
    """The alkalinity behind a value that a kit showed; its arrays are not to be written."""
    found = alkalinity_of_test(read_meq_l, kit.method, step_of(kit))
    for one in (found.value_meq_l, found.half_width_meq_l, found.sd_meq_l):
        one.setflags(write=False)
    return found


def step_of(kit: KhKit) -> float:
    """Worth of one drop, mark or field in the sample that is taken, meq/L."""
    step = usual_step_meq_l(kit.method) if kit.step_meq_l is None else kit.step_meq_l
    return step if kit.sample_ml is None else step * kit.kit_sample_ml / kit.sample_ml
