"""What water changes do, by mass balance."""

from __future__ import annotations

import pytest

from service.derive.calculations.water_change import Dissolved, Water, water_change
from service.science.numeric.checks import OutOfRangeError

WATER = Water(7.0, 1.5, 25.0)


def test_litres_changed_are_the_share_of_the_tank() -> None:
    assert water_change(0.25, volume_l=180.0).water_changed_l == pytest.approx(45.0)
    assert water_change(0.25).water_changed_l is None


@pytest.mark.parametrize("changes", [1, 2, 3])
def test_what_is_left_after_changes(changes: int) -> None:
    """Each leaves 0.7 of the distance to the new water."""
    nitrate = Dissolved("nitrate", 40.0, 4.0)
    (found,) = water_change(0.3, changes=changes, substances=[nitrate]).substances
    assert found.after_mg_l == pytest.approx(4 + 36 * 0.7**changes)
    assert (found.fraction, found.changes, found.settles_mg_l) == (None, None, None)


def test_way_to_a_target_and_where_a_rise_settles() -> None:
    """30 to 5 with pure water: 1 - 5/30 at once, or halves: 15, 7.5, 3.75. With 6 more between
    two changes of a third it swings between 12 and 18: 18 * 2/3 = 12, 12 + 6 = 18."""
    wished = Dissolved("nitrate", 30.0, 0.0, target_mg_l=5.0)
    (found,) = water_change(0.5, substances=[wished]).substances
    assert (found.fraction, found.changes) == (pytest.approx(5 / 6), 3)
    risen = Dissolved("nitrate", 30.0, 0.0, rise_mg_l=6.0)
    (found,) = water_change(1 / 3, substances=[risen]).substances
    assert found.settles_mg_l == pytest.approx((12.0, 18.0))


def test_one_water_without_the_other_is_refused() -> None:
    for given, named in (({"tank": WATER}, "new"), ({"new": WATER}, "tank")):
        with pytest.raises(OutOfRangeError) as caught:
            water_change(0.5, **given)
        assert caught.value.name == named
    hard = Water(7.0, 1.5, 25.0, gh_meq_l=2.0)
    for tank, new, named in ((hard, WATER, "new.gh_meq_l"), (WATER, hard, "tank.gh_meq_l")):
        with pytest.raises(OutOfRangeError) as caught:
            water_change(0.5, tank=tank, new=new)
        assert caught.value.name == named


def test_a_target_out_of_reach_is_named_with_its_place_in_the_list() -> None:
    fine = Dissolved("phosphate", 1.0, 0.0, target_mg_l=0.5)
    wished = Dissolved("nitrate", 30.0, 10.0, target_mg_l=5.0)
    with pytest.raises(OutOfRangeError) as caught:
        water_change(0.5, substances=[fine, wished])
    assert caught.value.name == "substances.1.target_mg_l"


def test_mixed_water_by_hand() -> None:
    """A quarter of 21 °C, 3 meq/L and 4 meq/L of hardness with three of 25, 1.5 and 2."""
    tank = Water(7.0, 1.5, 25.0, gh_meq_l=2.0)
    new = Water(7.6, 3.0, 21.0, gh_meq_l=4.0)
    found = water_change(0.25, tank=tank, new=new)
    assert found.water is not None
    assert found.water.temperature_c == pytest.approx(24.0)
    assert found.water.alkalinity_meq_l == pytest.approx(1.875)
    assert found.water.gh_meq_l == pytest.approx(2.5)
    ph = found.water.ph
    assert ph is not None and 7.0 < ph.low < ph.value < ph.high < 7.6
