"""CO2 at a moment from single readings."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.derive.co2.calibration import ProbeHistory
from service.derive.co2.current import co2_at
from service.derive.co2.kh import kh_in_force
from service.derive.co2.target import Target
from service.derive.models.co2 import Co2Now, Co2State
from service.derive.models.quality import Quality
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.store.model import Reading
from service.times import to_us
from tests.derive.pieces import (
    KH_4,
    NOON,
    a_tank,
    entry,
)

MINUTE = timedelta(minutes=1)
TARGET = Target(20.0, 30.0)


def reading(quantity: str, value: float, minutes_ago: float) -> Reading:
    return Reading("reed", quantity, "one", to_us(NOON - minutes_ago * MINUTE), value)


def now(tank: Tank, ph: Reading | None, temperature: Reading | None, **other: object) -> Co2Now:
    kh = kh_in_force(tank, [], NOON)
    return co2_at(
        tank,
        NOON,
        target=TARGET,
        kh=kh,
        ph=ph,
        temperature=temperature,
        **other,  # type: ignore[arg-type]
    )


def calibrated(days_ago: float | None) -> ProbeHistory:
    if days_ago is None:
        return ProbeHistory()
    return ProbeHistory((to_us(NOON - timedelta(days=days_ago)),))


def test_golden_value_of_phreeqc() -> None:
    """PHREEQC, KHCO3 water, 25 °C, 4 dKH, pH 6.8: 21.4413 mg/L CO2 (phreeqc.dat)."""
    found = now(
        a_tank(), reading("ph", 6.8, 1), reading("temperature", 25.0, 2), probe=calibrated(3.0)
    )
    assert found.co2 is not None
    assert found.co2.value == pytest.approx(21.4413, rel=2e-3)
    assert found.co2.low < 21.4 < found.co2.high
    assert found.state is Co2State.WITHIN
    assert found.quality is Quality.GOOD
    assert found.time == NOON - 2 * MINUTE


@pytest.mark.parametrize(
    ("ph", "state"), [(7.2, Co2State.BELOW), (6.75, Co2State.WITHIN), (6.4, Co2State.ABOVE)]
)
def test_state_against_target(ph: float, state: Co2State) -> None:
    found = now(a_tank(), reading("ph", ph, 1), reading("temperature", 24.0, 1))
    assert found.state is state


def test_old_ph_gives_no_number() -> None:
    found = now(a_tank(), reading("ph", 6.8, 31), reading("temperature", 24.0, 1))
    assert found.co2 is None
    assert found.state is Co2State.UNKNOWN
    assert found.quality is Quality.STALE
    patient = a_tank(thresholds={"stale_ph_min": 60.0})
    assert now(patient, reading("ph", 6.8, 31), reading("temperature", 24.0, 1)).co2 is not None


def test_no_alkalinity_gives_no_number_and_says_what_to_do() -> None:
    found = now(a_tank(kh_meq_l=None), reading("ph", 6.8, 1), reading("temperature", 24.0, 1))
    assert found.co2 is None
    assert found.state is Co2State.UNKNOWN
    assert "log a KH test" in found.reasons[0]


def test_without_temperature_one_is_assumed_with_a_wider_interval() -> None:
    known = now(a_tank(), reading("ph", 6.8, 1), reading("temperature", 24.0, 1))
    for far in (None, reading("temperature", 30.0, 400)):
        assumed = now(a_tank(), reading("ph", 6.8, 1), far)
        assert known.co2 is not None and assumed.co2 is not None
        assert assumed.co2.value == pytest.approx(known.co2.value)
        assert assumed.co2.high > known.co2.high
        assert assumed.temperature is None
        assert assumed.quality is Quality.SUSPECT
        assert any("temperature is assumed as 24" in reason for reason in assumed.reasons)


def test_old_kh_test_makes_it_suspect() -> None:
    log = [entry(LogKind.KH_TEST, NOON - timedelta(days=45), kh_meq_l=KH_4)]
    kh = kh_in_force(a_tank(), log, NOON)
    found = co2_at(
        a_tank(), NOON, target=TARGET, kh=kh, ph=reading("ph", 6.8, 1),
        temperature=reading("temperature", 24.0, 1),
    )  # fmt: skip
    assert found.quality is Quality.SUSPECT
    assert "the KH test is 45 days old" in found.reasons[0]


def test_interval_grows_with_the_age_of_the_calibration() -> None:
    widths = []
    for days in (1.0, 30.0, 90.0, None):
        found = now(
            a_tank(),
            reading("ph", 6.8, 1),
            reading("temperature", 24.0, 1),
            probe=calibrated(days),
        )
        assert found.co2 is not None
        widths.append(found.co2.high / found.co2.low)
    assert widths[0] < widths[1] < widths[3] < widths[2]


def test_the_trades_rule_stands_beside_it() -> None:
    found = now(a_tank(), reading("ph", 7.0, 1), reading("temperature", 24.0, 1))
    assert found.rule_of_thumb_mg_l == pytest.approx(12.0, rel=1e-3)  # 3 * 4 * 10^0
    unknown = now(a_tank(kh_meq_l=None), reading("ph", 7.0, 1), reading("temperature", 24.0, 1))
    assert unknown.rule_of_thumb_mg_l is None
