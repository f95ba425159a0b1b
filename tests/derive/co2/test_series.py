"""CO2 over time from series of pH, temperature and conductivity."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from service.derive.co2.series import co2_over
from service.registry.models.log import LogKind
from service.science.water.hardness import MEQ_L_PER_DEGREE
from service.store.model import Samples
from service.times import to_us
from tests.derive.pieces import (
    NOON,
    a_tank,
    days_of,
    entry,
    gassed,
    grid,
    ph_of,
    samples,
)


def test_series_gives_back_the_co2_it_was_made_from() -> None:
    series = days_of(days=2)
    found = co2_over(a_tank(), [], series["ph"], series["temperature"], Samples.empty())
    assert found.value == pytest.approx(gassed(series["ph"].time_us), rel=1e-6)
    assert (found.low < found.value).all() and (found.value < found.high).all()


def test_series_interpolates_temperature_and_widens_where_it_is_missing() -> None:
    time_us = grid(NOON, NOON + timedelta(hours=12))
    warm = 22.0 + (time_us - time_us[0]) / 3.6e9 * 0.5
    ph = samples(time_us, ph_of(np.full(time_us.shape, 25.0), celsius=warm))
    hourly = slice(None, None, 12)
    sparse = samples(time_us[hourly], warm[hourly])
    found = co2_over(a_tank(), [], ph, sparse, Samples.empty())
    assert found.value == pytest.approx(np.full(time_us.shape, 25.0), rel=1e-6)
    broken = Samples(
        *(np.delete(part, slice(4, 9)) for part in (sparse.time_us, sparse.value, sparse.flags))
    )
    gappy = co2_over(a_tank(), [], ph, broken, Samples.empty())
    within = (time_us > broken.time_us[3]) & (time_us < broken.time_us[4])
    ratio = gappy.high / gappy.low
    assert ratio[within].min() > ratio[~within].max()


def test_series_uses_the_conductivity_of_each_moment_as_far_as_it_is_known() -> None:
    ph = samples(grid(NOON, NOON + timedelta(days=4)), 6.8)
    nothing = Samples.empty()
    plain = co2_over(a_tank(), [], ph, nothing, nothing).value
    one_us = to_us(NOON + timedelta(days=1))
    measured = samples(np.array([one_us, one_us + 12 * 3_600_000_000]), np.array([300.0, 1500.0]))
    found = co2_over(a_tank(), [], ph, nothing, measured).value
    ends = (
        one_us - 86_400_000_000,
        one_us,
        one_us + 6 * 3_600_000_000,
        one_us + 36 * 3_600_000_000,
    )
    at = np.searchsorted(ph.time_us, ends)
    for index, us_cm in zip(at.tolist(), (300.0, 300.0, 900.0, 1500.0), strict=True):
        steady = samples(ph.time_us[index : index + 1], us_cm)
        alone = samples(ph.time_us[index : index + 1], 6.8)
        assert found[index] == co2_over(a_tank(), [], alone, nothing, steady).value[0]
    np.testing.assert_array_equal(found[at[-1] + 1 :], plain[at[-1] + 1 :])
    assert (found[: at[-1] + 1] != plain[: at[-1] + 1]).all()


def test_series_is_unknown_before_the_first_kh_test() -> None:
    tank = a_tank(kh_meq_l=None)
    log = [entry(LogKind.KH_TEST, NOON - timedelta(hours=6), kh_meq_l=2 * MEQ_L_PER_DEGREE)]
    series = days_of(days=1)
    found = co2_over(tank, log, series["ph"], series["temperature"], Samples.empty())
    before = found.time_us < to_us(log[0].time)
    assert np.isnan(found.value[before]).all()
    assert not np.isnan(found.value[~before]).any()
