"""The KH in force."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
import pytest

from service.derive.co2.kh import kh_at, kh_in_force
from service.derive.models.co2 import KhInForce
from service.registry.models.log import LogKind
from service.registry.models.plans import WaterChangePlan
from service.registry.models.tank import KhKit, Tank
from service.science.carbonate.kh_methods import KhMethod
from service.science.water.hardness import MEQ_L_PER_DEGREE
from service.times import to_us
from tests.derive.pieces import KH_4, NOON, a_tank, entry

DAY = timedelta(days=1)


def test_registered_value_counts_until_a_test_is_logged() -> None:
    tank = a_tank(kh_tested=date(2026, 3, 1))
    found = kh_in_force(tank, [], NOON)
    assert found is not None
    assert found.meq_l == KH_4
    assert found.source == "registered with the tank"
    assert found.tested is not None and found.tested.date() == date(2026, 3, 1)


def test_newest_kh_test_wins_and_later_ones_do_not_count_yet() -> None:
    log = [
        entry(LogKind.KH_TEST, NOON - 9 * DAY, kh_meq_l=1.0),
        entry(LogKind.KH_TEST, NOON - 2 * DAY, kh_meq_l=2.0),
        entry(LogKind.KH_TEST, NOON + 2 * DAY, kh_meq_l=3.0),
    ]
    found = kh_in_force(a_tank(), log, NOON)
    assert found is not None
    assert found.meq_l == 2.0
    assert found.tested == NOON - 2 * DAY


def test_of_two_tests_of_one_moment_the_last_stored_counts() -> None:
    newest_first = [entry(LogKind.KH_TEST, NOON - DAY, kh_meq_l=meq_l) for meq_l in (2.0, 1.0)]
    found = kh_in_force(a_tank(), newest_first, NOON)
    assert found is not None
    assert found.meq_l == 2.0
    at = kh_at(a_tank(), newest_first, np.array([to_us(NOON)], np.int64))
    assert at.value_meq_l[0] == pytest.approx(2.0)


def test_unknown_without_test_and_without_registered_value() -> None:
    assert kh_in_force(a_tank(kh_meq_l=None), [], NOON) is None


def spread(found: KhInForce) -> float:
    """Standard deviation of all errors; of a rectangular one half-width / sqrt(3) (JCGM 100)."""
    measured = found.measured
    return float(np.hypot(measured.sd_meq_l, measured.half_width_meq_l / np.sqrt(3)))


@pytest.mark.parametrize(
    ("kit", "middle_dkh", "half_dkh"),
    [
        (KhKit(), 3.5, 0.5),
        (KhKit(step_meq_l=0.5 * MEQ_L_PER_DEGREE), 3.75, 0.25),
        # twice the kit's sample: each drop is worth half
        (KhKit(sample_ml=10.0), 3.75, 0.25),
        (KhKit(sample_ml=40.0, kit_sample_ml=20.0), 3.75, 0.25),
        (KhKit(KhMethod.TITRATION), 4.0, 0.05),
        (KhKit(KhMethod.STRIP), 4.0, 1.5),
    ],
)
def test_what_a_test_means_is_the_kit_s(kit: KhKit, middle_dkh: float, half_dkh: float) -> None:
    found = kh_in_force(a_tank(kh_kit=kit), [], NOON)
    assert found is not None
    assert found.meq_l == KH_4
    measured = found.measured
    assert measured.value_meq_l / MEQ_L_PER_DEGREE == pytest.approx(middle_dkh)
    assert measured.half_width_meq_l / MEQ_L_PER_DEGREE == pytest.approx(half_dkh)
    assert found.estimate.low < middle_dkh * MEQ_L_PER_DEGREE < found.estimate.high


def test_counted_drops_of_tank_and_tap_mix_by_their_middles() -> None:
    """2 and 4 drops of 1 dKH, halves: 3 as a count, 2.5 in truth, the tank's limits halved."""
    tank = a_tank(kh_kit=KhKit(), water_change=WaterChangePlan(tap_kh_meq_l=KH_4))
    log = [
        entry(LogKind.KH_TEST, NOON - 3 * DAY, kh_meq_l=KH_4 / 2),
        entry(LogKind.WATER_CHANGE, NOON - 2 * DAY, fraction=0.5),
    ]
    found = kh_in_force(tank, log, NOON)
    assert found is not None
    assert found.meq_l / MEQ_L_PER_DEGREE == pytest.approx(3.0)
    assert found.measured.value_meq_l / MEQ_L_PER_DEGREE == pytest.approx(2.5)
    assert found.measured.half_width_meq_l / MEQ_L_PER_DEGREE == pytest.approx(0.25)
    over_time = kh_at(tank, log, np.array([to_us(NOON)]))
    assert over_time.value_meq_l[0] == pytest.approx(found.measured.value_meq_l)
    assert over_time.sd_meq_l[0] == pytest.approx(found.measured.sd_meq_l)


def test_a_test_is_carried_through_later_water_changes_where_the_tap_is_known() -> None:
    tank = a_tank(water_change=WaterChangePlan(tap_kh_meq_l=4.0))
    log = [
        entry(LogKind.KH_TEST, NOON - 3 * DAY, kh_meq_l=2.0),
        entry(LogKind.WATER_CHANGE, NOON - 2 * DAY, fraction=0.5),
        entry(LogKind.WATER_CHANGE, NOON - 1 * DAY, fraction=0.5),
    ]
    found = kh_in_force(tank, log, NOON)
    assert found is not None
    assert found.meq_l == pytest.approx(3.5)  # 2 -> 3 -> 3.5 by mixing halves with 4
    assert found.tested == NOON - 3 * DAY
    plain = kh_in_force(a_tank(), log, NOON)
    assert plain is not None and plain.meq_l == 2.0
    assert found.measured.sd_meq_l > plain.measured.sd_meq_l


def test_over_time_each_moment_has_the_value_that_counted_then() -> None:
    log = [entry(LogKind.KH_TEST, NOON, kh_meq_l=2.0)]
    moments = np.array([to_us(NOON - DAY), to_us(NOON), to_us(NOON + DAY)])
    value = kh_at(a_tank(), log, moments).value_meq_l
    assert value.tolist() == [KH_4, 2.0, 2.0]
    found = kh_at(a_tank(kh_meq_l=None), log, moments)
    assert np.isnan(found.value_meq_l[0]) and np.isnan(found.sd_meq_l[0])
    assert found.value_meq_l[1:].tolist() == [2.0, 2.0]


def test_in_hindsight_what_a_test_found_is_spread_over_the_time_since_the_test_before() -> None:
    log = [
        entry(LogKind.KH_TEST, NOON - 4 * DAY, kh_meq_l=2.0),
        entry(LogKind.KH_TEST, NOON, kh_meq_l=1.0),
    ]
    moments = np.array([to_us(NOON + days * DAY) for days in (-5, -4, -3, -1, 0, 1)])
    value = kh_at(a_tank(), log, moments).value_meq_l
    assert value == pytest.approx([KH_4, 2.0, 1.75, 1.25, 1.0, 1.0])
    # Known tap water explains the whole fall here: nothing is left to spread.
    tank = a_tank(water_change=WaterChangePlan(tap_kh_meq_l=0.0))
    change = entry(LogKind.WATER_CHANGE, NOON - 2 * DAY, fraction=0.5)
    value = kh_at(tank, [*log, change], moments).value_meq_l
    assert value == pytest.approx([KH_4, 2.0, 2.0, 1.0, 1.0, 1.0])


def test_a_test_after_a_registered_value_with_its_date_is_spread_since_that_date() -> None:
    tank = a_tank(kh_tested=date(2026, 3, 1))
    begin = datetime(2026, 3, 1, tzinfo=UTC)
    log = [entry(LogKind.KH_TEST, begin + 8 * DAY, kh_meq_l=KH_4 - 0.8)]
    moments = np.array([to_us(begin + days * DAY) for days in (-1, 0, 2, 6, 8, 9)])
    value = kh_at(tank, log, moments).value_meq_l
    assert value == pytest.approx(KH_4 - np.array([0, 0, 0.2, 0.6, 0.8, 0.8]))
    # without its date nobody knows since when
    value = kh_at(a_tank(), log, moments).value_meq_l
    assert value == pytest.approx(KH_4 - np.array([0, 0, 0, 0, 0.8, 0.8]))


def test_only_changes_after_a_value_carry_it() -> None:
    """Halves of a water of 4 meq/L and one of 2 give 3."""
    tank = a_tank(
        kh_meq_l=2.0, kh_tested=NOON.date(), water_change=WaterChangePlan(tap_kh_meq_l=4.0)
    )
    midnight = datetime.combine(NOON.date(), time(), UTC)

    def found(at: datetime, tank: Tank = tank, **data: float) -> float:
        log = [entry(LogKind.WATER_CHANGE, at, fraction=0.5, **data)]
        known = kh_in_force(tank, log, NOON)
        assert known is not None
        return known.meq_l

    assert found(NOON - timedelta(hours=1)) == pytest.approx(3.0)
    assert found(NOON - timedelta(hours=1), kh_meq_l=1.0) == pytest.approx(1.5)
    assert found(midnight) == 2.0
    assert found(midnight - DAY) == 2.0
    assert found(NOON + DAY) == 2.0
    assert found(NOON - timedelta(hours=1), replace(tank, kh_tested=None)) == 2.0


def test_a_bicarbonate_raises_what_was_tested_before_it() -> None:
    """84.007 g of NaHCO3 is one mole (IUPAC masses): 0.5 meq/L of 180 L are 7.5606 g."""
    tested = entry(LogKind.KH_TEST, NOON - 2 * DAY, kh_meq_l=2.0)
    buffer = {"g": 0.09 * 84.007, "salt": "NaHCO3"}
    raised = [tested, entry(LogKind.BUFFER, NOON - DAY, **buffer)]
    found = kh_in_force(a_tank(), raised, NOON)
    plain = kh_in_force(a_tank(), [tested], NOON)
    assert found is not None and plain is not None
    assert found.meq_l == pytest.approx(2.5, abs=1e-4)
    assert spread(found) == pytest.approx(np.hypot(spread(plain), 0.05 * 0.5), rel=1e-4)
    at_once = [tested, entry(LogKind.BUFFER, NOON - 2 * DAY, **buffer)]
    before = [tested, entry(LogKind.BUFFER, NOON - 3 * DAY, **buffer)]
    for log in (at_once, before):
        same = kh_in_force(a_tank(), log, NOON)
        assert same is not None and same.meq_l == 2.0
