"""Phosphate and humic acids in a tank's CO2: taken off KH, estimated from the log of doses."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.derive.co2.beside_carbonate import NOTHING_ELSE, beside_carbonate
from service.derive.co2.current import co2_now
from service.derive.co2.series import co2_series
from service.registry.models.log import LogKind
from service.registry.models.plans import DosePlan, Salt
from tests.derive.pieces import NOON, a_tank, days_of, entry, inputs_with

DAY = timedelta(days=1)
TESTED = entry(LogKind.NUTRIENT_TEST, NOON - DAY, po4_mg_l=10.0)


def test_nothing_told_is_nothing_taken_off() -> None:
    log = [entry(LogKind.DOSE, NOON - DAY, name="macro", ml=18.0)]
    assert beside_carbonate(a_tank(), log, NOON) == NOTHING_ELSE


def test_a_tested_phosphate_and_its_error_count() -> None:
    found = beside_carbonate(a_tank(), [TESTED], NOON)
    assert found.phosphate_mg_l == pytest.approx(10.0, rel=0.15)
    # a colour test is off by 20 %, and one in twenty says nothing: wider than 2 mg/L
    assert 2 < found.phosphate_sd_mg_l < 4
    usual = entry(LogKind.NUTRIENT_TEST, NOON - DAY, po4_mg_l=1.0)
    now = beside_carbonate(a_tank(), [usual], NOON)
    later = beside_carbonate(a_tank(), [usual], NOON + 20 * DAY)
    assert now.phosphate_mg_l == pytest.approx(1.0, abs=0.3)
    assert later.phosphate_sd_mg_l > now.phosphate_sd_mg_l


def test_phosphate_is_estimated_from_what_was_dosed() -> None:
    """0.25816 g of KH2PO4 (136.08 g/mol, 69.8 % PO4) in 180 L: 1 mg/L a dose."""
    plan = DosePlan("phosphate", g_per_100_l=0.1434, salts=(Salt("KH2PO4", 1.0),))
    tank = a_tank(doses=(plan,))
    doses = [entry(LogKind.DOSE, NOON - n * DAY, name="phosphate", g=0.25816) for n in range(1, 11)]
    found = beside_carbonate(tank, doses, NOON)
    few = beside_carbonate(tank, doses[:1], NOON)
    assert 4 < found.phosphate_mg_l - few.phosphate_mg_l < 10
    assert found.potassium_mg_l is not None


def test_humic_acids_lower_co2_now_and_over_time_alike() -> None:
    """15 mg/L of humic carbon are 0.15 meq of acid groups, a third of them between the pHs
    (Oliver, Thurman & Malcolm 1983): 0.04 to 0.05 of 1.43 meq/L."""
    series = days_of(days=2)
    plain, brown = (
        inputs_with(a_tank(organic_carbon_mg_l=carbon), NOON, series, days=2)
        for carbon in (None, 15.0)
    )
    now, less = co2_now(plain), co2_now(brown)
    assert now.co2 is not None and less.co2 is not None
    ratio = less.co2.value / now.co2.value
    assert 0.95 < ratio < 0.98
    over_time = co2_series(brown).value[-1] / co2_series(plain).value[-1]
    assert over_time == pytest.approx(ratio, rel=1e-6)


def test_a_share_that_matters_is_said() -> None:
    tank = a_tank(organic_carbon_mg_l=40.0)
    found = co2_now(inputs_with(tank, NOON, days_of(days=2), days=2))
    assert any("not carbonate" in one and "is taken" in one for one in found.reasons)
    # a buffering powder: 30 mg/L at KH 1.4
    buffered = entry(LogKind.NUTRIENT_TEST, NOON - DAY, po4_mg_l=30.0)
    with_phosphate = replace(
        inputs_with(a_tank(kh_meq_l=0.5), NOON, days_of(days=2, meq_l=0.5), days=2), log=(buffered,)
    )
    assert any("not carbonate" in one for one in co2_now(with_phosphate).reasons)
