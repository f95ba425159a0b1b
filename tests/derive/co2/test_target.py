"""The range of CO2 aimed at."""

from __future__ import annotations

from service.derive.co2.target import Target, target_of
from tests.derive.pieces import (
    a_tank,
)


def test_target_is_capped_by_the_livestock_and_open_below_without_gas() -> None:
    assert target_of(a_tank(), 25.0) == Target(20.0, 25.0)
    assert target_of(a_tank(), 15.0) == Target(15.0, 15.0)
    assert target_of(a_tank(co2_injected=False), None) == Target(0.0, 30.0)
