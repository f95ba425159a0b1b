"""What a KH test kit's value says of the alkalinity."""

from __future__ import annotations

from service.registry.models.tank import KhKit
from service.science.carbonate.kh_test import (
    MeasuredAlkalinity,
    alkalinity_of_test,
    usual_step_meq_l,
)


def measured_by(kit: KhKit, read_meq_l: float) -> MeasuredAlkalinity:
    """The alkalinity behind a value that a kit showed."""
    return alkalinity_of_test(read_meq_l, kit.method, step_of(kit))


def step_of(kit: KhKit) -> float:
    """Worth of one drop, mark or field in the sample that is taken, meq/L."""
    step = usual_step_meq_l(kit.method) if kit.step_meq_l is None else kit.step_meq_l
    return step if kit.sample_ml is None else step * kit.kit_sample_ml / kit.sample_ml
