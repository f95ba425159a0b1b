"""Nutrients over time: exact where all is known, honest where it is not.

Checked against the closed forms of a mass balance and against an independent hourly simulation
(``simulated.py``); ``tests/bench/nutrients.py`` does it at length.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.science.numeric.checks import OutOfRangeError
from service.science.nutrients.budget import Event, nutrient_courses
from service.science.nutrients.draws import quantiles
from service.science.nutrients.ranges import RANGES
from service.science.water.change import steady_state
from tests.science.nutrients.simulated import DAY_S, REGIMES, Score, world

EXACT = replace(
    RANGES["NO3"], start_mg_l=0.0, tap_mg_l=0.0, uptake_mg_l_d=(2.0, 2.0), loss_per_d=(0.0, 0.0)
)


def test_known_uptake_doses_and_changes_settle_where_the_mass_balance_says():
    """A week of 10 mg/L dosed and 2 mg/L/d taken up, half of the water changed: closed form."""
    events = [Event(7 * n * DAY_S, changed=0.5, rise_mg_l={"NO3": 20.0}) for n in range(1, 16)]
    found = nutrient_courses(0.0, events, [7 * 15 * DAY_S - 1.0], ranges={"NO3": EXACT})["NO3"]
    # What a dose adds is not known to better than 10 %; the middle of the draws is.
    expected = steady_state(0.0, 0.5, -2.0 * 7 + 20.0 * 0.5).before
    assert expected == 0.0
    richer = [replace(one, rise_mg_l={"NO3": 40.0}) for one in events]
    found = nutrient_courses(0.0, richer, [7 * 15 * DAY_S - 1.0], ranges={"NO3": EXACT})["NO3"]
    # after = before / 2 + 40, before = after - 14: before = 52.
    assert found.level.value[0] == pytest.approx(52.0, rel=0.02)
    assert found.level.low[0] < 52.0 < found.level.high[0]


def test_it_never_goes_below_zero():
    found = nutrient_courses(0.0, [], np.arange(10) * DAY_S, ranges={"NO3": EXACT})["NO3"]
    assert found.level.value.tolist() == [0.0] * 10


def test_what_is_lost_in_proportion_decays():
    """Half of it in a day: C = C0 exp(-l t) (first-order decay)."""
    lost = replace(EXACT, uptake_mg_l_d=(0.0, 0.0), loss_per_d=(np.log(2) - 1e-9, np.log(2) + 1e-9))
    events = [Event(0.0, rise_mg_l={"Fe": 0.4})]
    found = nutrient_courses(0.0, events, [0.0, DAY_S, 3 * DAY_S], ranges={"Fe": lost})["Fe"]
    ratio = found.level.value / found.level.value[0]
    assert ratio == pytest.approx([1.0, 0.5, 0.125], rel=1e-6)


def test_two_tests_teach_the_uptake():
    events = [
        Event(2 * DAY_S, test_mg_l={"NO3": 30.0}),
        Event(16 * DAY_S, test_mg_l={"NO3": 9.0}),
    ]
    untested = nutrient_courses(0.0, [], [16 * DAY_S])["NO3"]
    tested = nutrient_courses(0.0, events, [16 * DAY_S])["NO3"]
    assert tested.tests == 2 and untested.tests == 0
    width = [
        float(one.uptake_mg_l_d.high[0] - one.uptake_mg_l_d.low[0]) for one in (untested, tested)
    ]
    assert width[1] < 0.6 * width[0]
    assert tested.uptake_mg_l_d.low[0] < 1.5 < tested.uptake_mg_l_d.high[0]
    assert tested.level.low[0] < 9.0 < tested.level.high[0] < 20.0


def test_a_dose_of_unknown_content_widens_what_may_be_there():
    days = [Event(n * 7 * DAY_S, changed=0.5, rise_mg_l={"NO3": 5.0}) for n in range(12)]
    unknown = [replace(one, rise_mg_l=None, unknown_dose=True) for one in days]
    known, wide = (
        nutrient_courses(0.0, one, [84 * DAY_S], tap_mg_l={"NO3": 5.0})["NO3"].level
        for one in (days, unknown)
    )
    assert wide.high[0] > known.high[0] + 5 and wide.low[0] <= known.low[0] + 1


def test_one_misread_test_among_many_does_not_rule():
    good = [Event(7.0 * n * DAY_S, test_mg_l={"NO3": 20.0}) for n in range(1, 8)]
    misread = [*good, Event(50 * DAY_S, test_mg_l={"NO3": 200.0})]
    found = nutrient_courses(0.0, misread, [51 * DAY_S])["NO3"].level
    assert found.value[0] < 40.0


@pytest.mark.parametrize(("ion", "read"), [("PO4", 10.0), ("NO3", 150.0), ("K", 120.0)])
def test_a_first_test_far_above_usual_tanks_is_believed(ion, read):
    found = nutrient_courses(0.0, [Event(DAY_S, test_mg_l={ion: read})], [DAY_S])[ion].level
    assert 0.6 * read < found.value[0] < 1.4 * read
    assert found.high[0] > read


def test_two_tests_tell_of_what_nobody_logged():
    """A powder with phosphate: one test may be misread, two alike are not."""
    usual = [Event(7.0 * n * DAY_S, test_mg_l={"PO4": 1.0}) for n in range(1, 6)]
    raised = [Event(7.0 * n * DAY_S, test_mg_l={"PO4": 9.0}) for n in range(6, 8)]
    found = nutrient_courses(0.0, [*usual, *raised], [50 * DAY_S])["PO4"].level
    assert 6.0 < found.value[0] < 12.0
    assert found.low[0] > 1.3, "above what was there before"


def test_the_same_question_has_the_same_answer():
    one, other = (nutrient_courses(0.0, [], [9 * DAY_S])["PO4"].level for _ in range(2))
    assert one.high == other.high


@pytest.mark.parametrize(
    ("events", "at_s", "name"),
    [
        ([Event(0.0, changed=1.5)], [DAY_S], "changed"),
        ([Event(0.0, test_mg_l={"K": -1.0})], [DAY_S], "test_mg_l of K"),
        ([Event(DAY_S), Event(0.0)], [DAY_S], "time_s"),
        ([], [-1.0], "at_s"),
        ([], [], "at_s"),
    ],
)
def test_what_cannot_be_is_refused(events, at_s, name):
    with pytest.raises(OutOfRangeError) as refused:
        nutrient_courses(0.0, events, at_s)
    assert refused.value.name == name


def test_uptake_is_that_of_the_moment_asked_for():
    events = [Event(2 * DAY_S, test_mg_l={"K": 20.0}), Event(9 * DAY_S, test_mg_l={"K": 9.0})]
    moments = np.arange(12) * DAY_S
    asked = nutrient_courses(0.0, events, moments, uptake_at=7)["K"].uptake_mg_l_d
    until = nutrient_courses(0.0, events, moments[:8])["K"].uptake_mg_l_d
    later = nutrient_courses(0.0, events, moments)["K"].uptake_mg_l_d
    assert asked.value == until.value != later.value
    assert asked.high == until.high and asked.low == until.low


@pytest.mark.parametrize("size", [20, 37, 1000])
def test_quantiles_of_draws_that_count_alike_vs_equal_weights(size):
    values = np.random.default_rng(size).normal(size=size)
    alike = quantiles(values, None)
    np.testing.assert_allclose(alike, quantiles(values, np.full(size, 1 / size)), rtol=1e-12)
    known = np.quantile(values, (0.025, 0.5, 0.975), method="hazen")  # type 5 of Hyndman & Fan
    np.testing.assert_allclose(alike, known, rtol=1e-12)


@pytest.mark.parametrize("regime", ["nothing tested", "four tests", "uptake changes"])
def test_intervals_hold_the_truth(regime):
    """95 % nominal; 30 tanks of four ions each, so 91 % and more are within chance."""
    score = Score()
    for number in range(30):
        score.add(world(np.random.default_rng((7, number)), REGIMES[regime]))
    assert score.level_share >= 0.91 and score.uptake_share >= 0.91
