"""Volume of water, by hand and against common sizes."""

from __future__ import annotations

import numpy as np
import pytest

from service.science.water.volume import gross_volume_l, net_volume_l


def test_90_by_45_by_45_is_about_180_litres():
    # Common practice, no source: the size is called a 180 L tank.
    assert gross_volume_l(90, 45, 45) == pytest.approx(182.25)


def test_us_gallon_is_231_cubic_inches():
    # NIST Handbook 44, appendix C: 1 gal = 231 in³ = 3.785411784 L; 1 in = 2.54 cm.
    assert gross_volume_l(2.54 * 231, 2.54, 2.54) == pytest.approx(3.785411784, rel=1e-12)


def test_box_of_water_by_hand():
    # outer 100x50x50, 1 cm glass -> 98x48 inside; filled to 45 -> 211.68 L; a bed of 5 cm
    # with 40 % pores takes 98*48*5*0.6/1000 = 14.112 L; rock 5 L.
    litres = net_volume_l(
        100, 50, 50, glass_cm=1, fill_height_cm=45, substrate_depth_cm=5, hardscape_l=5
    )
    assert litres == pytest.approx(211.68 - 14.112 - 5)


def test_bare_tank_equals_gross_volume():
    assert net_volume_l(90, 45, 45) == gross_volume_l(90, 45, 45)


def test_broadcasts():
    assert net_volume_l(90, 45, np.array([30, 45]), hardscape_l=[0, 10]).shape == (2,)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"length_cm": 0}, "length_cm is 0; allowed: a number above 0 cm"),
        ({"glass_cm": 30}, "glass_cm is 30; allowed: panes that leave room"),
        ({"fill_height_cm": 60}, "fill_height_cm is 60; allowed: 0 to the rim"),
        ({"substrate_depth_cm": 50}, "substrate_depth_cm is 50; allowed: 0 to the fill height"),
        (
            {"substrate_porosity": 1.2},
            "substrate_porosity is 1.2; allowed: 0 to 1",
        ),
        ({"hardscape_l": 200}, "hardscape_l is 200; allowed: 0 to the room for water"),
        ({"length_cm": np.inf}, "length_cm is inf; allowed"),
    ],
)
def test_impossible_tank(arguments, message):
    with pytest.raises(ValueError, match=message):
        net_volume_l(**({"length_cm": 90, "width_cm": 45, "height_cm": 45} | arguments))
