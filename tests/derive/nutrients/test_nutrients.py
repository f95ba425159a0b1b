"""A tank's nutrients from its log and plans.

What a salt adds is checked in ``tests/science/nutrients`` against published solutions; the mass
balance of doses and changes there against closed forms.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.derive.nutrients.dose_content import rises_mg_l
from service.derive.nutrients.estimate import nutrients_of
from service.derive.nutrients.history import history_of, usual_tap_mg_l
from service.registry.models.log import LogKind
from service.registry.models.plans import DosePlan, Salt, WaterChangePlan
from tests.derive.pieces import KH_4, NOON, a_tank, entry

MACRO = DosePlan("macro", 10.0, salts=(Salt("KNO3", 50.0), Salt("KH2PO4", 5.0)), bottle_ml=500.0)
IRON = DosePlan("iron", None, 0.2, label_mg={"Fe": 130.0})
DRY = DosePlan("dry", None, 1.0, salts=(Salt("KNO3", 3.0), Salt("K2SO4", 1.0)))
TANK = a_tank(doses=(MACRO, IRON))


@pytest.mark.parametrize(
    ("plan", "amount", "ion", "mg_l"),
    [
        # g x 1000 x (molar mass of the ion / of the salt) / L, by hand with IUPAC weights.
        (MACRO, 18.0, "NO3", 18 * 50 / 500 * 1000 * (62.004 / 101.102) / 180),
        (MACRO, 18.0, "PO4", 18 * 5 / 500 * 1000 * (94.970 / 136.084) / 180),
        (IRON, 0.36, "Fe", 0.36 * 130 / 180),
        (DRY, 2.0, "NO3", 2 * 0.75 * 1000 * (62.004 / 101.102) / 180),
    ],
)
def test_what_a_dose_adds_follows_from_what_is_in_it(plan, amount, ion, mg_l):
    assert rises_mg_l(plan, amount, 180.0)[ion] == pytest.approx(mg_l, rel=1e-4)


def test_a_fertiliser_nobody_described_adds_nobody_knows_what():
    log = [entry(LogKind.DOSE, NOON - timedelta(days=2), name="other", ml=5.0)]
    history = history_of(TANK, log, NOON)
    assert history.events[0].unknown_dose
    assert "in other" in history.reasons[0] and "1 of its doses" in history.reasons[0]


def test_a_dose_without_a_known_volume_says_so():
    tank = replace(TANK, net_volume_l=None, dimensions=None)
    log = [entry(LogKind.DOSE, NOON - timedelta(days=2), name="macro", ml=5.0)]
    (reason,) = history_of(tank, log, NOON).reasons
    assert "volume" in reason


def test_tests_changes_and_doses_of_one_moment_are_counted_in_this_order():
    log = [
        entry(LogKind.DOSE, NOON - timedelta(days=2), name="macro", ml=18.0),
        entry(LogKind.WATER_CHANGE, NOON - timedelta(days=2), fraction=0.5),
        entry(LogKind.NUTRIENT_TEST, NOON - timedelta(days=2), no3_mg_l=20.0),
    ]
    first, second, third = history_of(TANK, log, NOON).events
    assert first.test_mg_l == {"NO3": 20.0} and second.changed == 0.5
    assert third.rise_mg_l is not None and third.rise_mg_l["NO3"] > 5


def test_a_bicarbonate_of_potassium_is_a_dose_of_potassium():
    log = [entry(LogKind.BUFFER, NOON - timedelta(days=2), salt="KHCO3", g=5.0)]
    (event,) = history_of(TANK, log, NOON).events
    # 39.098 / 100.115 of it is potassium.
    assert event.rise_mg_l is not None
    assert event.rise_mg_l["K"] == pytest.approx(5000 * 39.098 / 100.115 / 180, rel=1e-4)


def test_new_water_let_down_with_pure_water_brings_its_share():
    plan = WaterChangePlan(tap_no3_mg_l=20.0, tap_kh_meq_l=2 * KH_4, target_kh_meq_l=KH_4)
    assert usual_tap_mg_l(plan) == {"NO3": pytest.approx(10.0)}


def test_tested_levels_are_narrower_and_say_what_they_rest_on():
    log = [
        entry(LogKind.NUTRIENT_TEST, NOON - timedelta(days=days), no3_mg_l=level, po4_mg_l=1.0)
        for days, level in ((9.0, 25.0), (1.0, 12.0))
    ]
    untested, tested = (nutrients_of(TANK, one, NOON) for one in ([], log))
    before, after = untested.of("NO3"), tested.of("NO3")
    assert after.level.high - after.level.low < 0.5 * (before.level.high - before.level.low)
    assert after.level.low < 11.0 < after.level.high
    assert after.uptake_from.startswith("learned from 2 tests")
    assert "no source" in before.uptake_from and before.tests == 0
    assert tested.of("K").tests == 0


def test_the_course_goes_on_past_now_without_doses():
    log = [entry(LogKind.DOSE, NOON - timedelta(days=5), name="iron", g=0.36)]
    found = nutrients_of(TANK, log, NOON, days=3.0, ahead_days=2.0)
    assert len(found.time_us) == 12 + 1 + 8 == len(found.of("K").value)
    at = 12
    assert found.of("K").value[at] == found.of("K").level.value
    assert found.of("Fe").value[-1] < found.of("Fe").value[at]


def test_what_was_before_the_first_entry_is_not_taken_for_nothing():
    """Nobody logged a change or a dose: the level may be anything, not what a year would leave."""
    log = [entry(LogKind.WATER_CHANGE, NOON - timedelta(hours=1), fraction=0.1)]
    for known in ([], log):
        found = nutrients_of(TANK, known, NOON, days=30.0)
        assert len(found.time_us) == 1
        level = found.of("NO3").level
        assert level.low < 5.0 and level.high > 40.0
