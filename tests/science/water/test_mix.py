"""Mixing to a temperature and to a hardness."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science.water.hardness import (
    MEQ_L_PER_DEGREE,
    dgh_from_meq_l,
    dkh_from_meq_l,
    meq_l_from_dkh,
)
from service.science.water.mix import (
    blend_for_hardness,
    hot_and_cold_l,
    hot_fraction,
    mixed_temperature_c,
    new_water_range_c,
)


def test_a_hundred_litres_at_24():
    hot, cold = hot_and_cold_l(100, 24, 12, 60)
    assert (hot, cold) == pytest.approx((25, 75))


@pytest.mark.parametrize(("target_c", "share"), [(12, 0), (60, 1)])
def test_all_cold_and_all_hot_are_mixes_too(target_c, share):
    assert hot_fraction(target_c, 12, 60) == share


@pytest.mark.parametrize(
    ("target_c", "cold_c", "hot_c", "field"),
    [(11.9, 12, 60, "target_c"), (60.1, 12, 60, "target_c"), (12, 12, 12, "hot_c")],
)
def test_a_temperature_that_the_two_cannot_make_is_named(target_c, cold_c, hot_c, field):
    with pytest.raises(ValueError, match=f"^{field}"):
        hot_fraction(target_c, cold_c, hot_c)


def test_half_a_change_may_be_four_kelvin_off_for_a_step_of_two():
    low, high = new_water_range_c(25, 0.5, 2)
    assert (low, high) == (21, 29)
    assert mixed_temperature_c(0.5, 21, 25) == pytest.approx(23)
    assert new_water_range_c(25, 0.04, 2).low_c == 0


def test_blend_by_the_cross_of_mixing():
    # Andreas cross: tap 16, pure water 0, wanted 4 -> 4 parts of tap to 12 of pure water.
    blend = blend_for_hardness(
        tap_kh_meq_l=float(meq_l_from_dkh(16)),
        tap_gh_meq_l=20 * MEQ_L_PER_DEGREE,
        target_kh_meq_l=float(meq_l_from_dkh(4)),
        target_gh_meq_l=6 * MEQ_L_PER_DEGREE,
    )
    assert blend.tap_fraction == pytest.approx(0.25)
    assert dkh_from_meq_l(blend.kh_meq_l) == pytest.approx(4)
    assert dgh_from_meq_l(blend.gh_meq_l) == pytest.approx(5)
    assert dgh_from_meq_l(blend.gh_short_meq_l) == pytest.approx(1)
    assert (blend.kh_short_meq_l, blend.kh_over_meq_l, blend.gh_over_meq_l) == (0, 0, 0)


def test_soft_tap_water_stays_whole_and_needs_salts():
    blend = blend_for_hardness(
        tap_kh_meq_l=0.5, tap_gh_meq_l=1.0, target_kh_meq_l=1.5, target_gh_meq_l=2.0
    )
    assert blend.tap_fraction == 1
    assert (blend.kh_short_meq_l, blend.gh_short_meq_l) == (1.0, 1.0)


def test_soft_water_that_is_too_hard_itself():
    blend = blend_for_hardness(
        tap_kh_meq_l=5, tap_gh_meq_l=5, target_kh_meq_l=1, target_gh_meq_l=3, soft_kh_meq_l=2
    )
    assert (blend.tap_fraction, blend.kh_over_meq_l, blend.gh_short_meq_l) == (0, 1, 3)


hardness = st.floats(0, 12)


@given(hardness, hardness, hardness, hardness)
def test_never_above_a_target_with_pure_water(tap_kh, tap_gh, target_kh, target_gh):
    blend = blend_for_hardness(
        tap_kh_meq_l=tap_kh,
        tap_gh_meq_l=tap_gh,
        target_kh_meq_l=target_kh,
        target_gh_meq_l=target_gh,
    )
    assert 0 <= blend.tap_fraction <= 1
    assert blend.kh_over_meq_l + blend.gh_over_meq_l == pytest.approx(0, abs=1e-9)
    assert blend.kh_meq_l + blend.kh_short_meq_l == pytest.approx(target_kh, abs=1e-9)


def test_negative_hardness_is_refused():
    with pytest.raises(ValueError, match="tap_kh_meq_l is -1; allowed"):
        blend_for_hardness(tap_kh_meq_l=-1, tap_gh_meq_l=1, target_kh_meq_l=1, target_gh_meq_l=1)
