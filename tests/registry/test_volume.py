"""Net volume of a registered tank."""

import pytest

from service.registry.models.tank import Dimensions, Tank
from service.registry.volume import net_volume_l


def test_a_90_45_45_tank_holds_around_180_litres():
    """Common practice, no source."""
    tank = Tank("a", "a", dimensions=Dimensions(90, 45, 45))
    assert net_volume_l(tank) == pytest.approx(182.25)


def test_a_measured_volume_wins():
    tank = Tank("a", "a", dimensions=Dimensions(90, 45, 45), net_volume_l=150)
    assert net_volume_l(tank) == 150


def test_displacement_is_taken_off():
    # by hand: 90 x 45 x 40 cm = 162 L; bed 90 x 45 x 5 cm x 0.6 solid = 12.15 L; rock 6 L
    tank = Tank("a", "a", dimensions=Dimensions(90, 45, 45, 40, 5, 0.4, 6))
    assert net_volume_l(tank) == pytest.approx(143.85)


def test_without_dimensions_it_is_unknown():
    assert net_volume_l(Tank("a", "a")) is None
