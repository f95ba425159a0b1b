"""What the calibrations in the log say of a pH probe's drift."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from service.derive.co2.calibration import ProbeHistory, probe_history
from service.derive.co2.current import co2_now
from service.derive.co2.series import co2_series
from service.derive.inputs import Inputs
from service.derive.models.quality import Quality
from service.derive.sensors.probe_out import ProbeOut
from service.registry.models.log import LogEntry, LogKind
from service.science.sensors.ph_electrode import DRIFT_PH_PER_30_DAYS
from service.store.model import Reading, SeriesInfo, SeriesKey
from service.times import to_us
from tests.derive.pieces import NOON, a_tank, days_of, entry, inputs_with

#: mV of an ideal electrode at 25 °C: the Nernst slope of 59.159 mV per pH, 0 mV at pH 7.
NERNST_MV = 59.159


def calibrated(days_ago: float, **data: object) -> LogEntry:
    return entry(LogKind.CALIBRATION, NOON - timedelta(days=days_ago), quantity="ph", **data)


def buffers(off_ph: float) -> list[dict[str, object]]:
    """Two buffers, read by an electrode that is off by so much."""
    return [
        {"ph": ph, "millivolts": -NERNST_MV * (ph + off_ph - 7.0), "temperature_c": 25}
        for ph in (7.0, 4.0)
    ]


def test_what_a_recalibration_found_is_part_of_the_drift() -> None:
    log = [calibrated(40, points=buffers(0.0)), calibrated(10, points=buffers(0.3))]
    found = probe_history(a_tank(), log)
    assert found.recalibrations == 1
    assert found.age_days(NOON) == pytest.approx(10)
    # (6 * 0.09² + (0.3² - 2 * 0.025²) * 30 / 30) / 7, limited to three standard deviations
    assert found.drift_ph_per_30_days == pytest.approx(0.133, abs=0.005)
    steady = probe_history(
        a_tank(), [calibrated(40, points=buffers(0.1)), calibrated(10, points=buffers(0.1))]
    )
    assert steady.drift_ph_per_30_days < DRIFT_PH_PER_30_DAYS


@pytest.mark.parametrize(
    "data", [({"offset": 0.1}, {"offset": -0.2}), (
        {"points": [{"reading": 7.0, "reference": 7.1}]},
        {"points": [{"reading": 7.2, "reference": 7.0}]},
    )],
)  # fmt: skip
def test_corrections_of_a_meter_tell_as_well(data: tuple[dict[str, object], ...]) -> None:
    before, after = data
    found = probe_history(a_tank(), [calibrated(5, **after), calibrated(35, **before)])
    assert found.drift_ph_per_30_days == pytest.approx(0.133, abs=0.005)


def test_device_that_was_set_itself_tells_its_age_alone() -> None:
    found = probe_history(a_tank(), [calibrated(40, offset=0.1), calibrated(10)])
    assert (found.recalibrations, found.age_days(NOON)) == (0, pytest.approx(10))
    assert found.drift_ph_per_30_days == DRIFT_PH_PER_30_DAYS


def test_own_setting_of_the_tank_counts_before_its_log() -> None:
    tank = a_tank(thresholds={"ph_drift_per_month": 0.05})
    log = [calibrated(40, offset=0.0), calibrated(10, offset=0.3)]
    assert probe_history(tank, log).drift_ph_per_30_days == 0.05


def test_calibration_of_another_probe_does_not_count() -> None:
    log = [calibrated(3, sensor="Spare"), calibrated(50, sensor="main"), calibrated(60)]
    assert probe_history(a_tank(), log, "main").age_days(NOON) == pytest.approx(50)
    assert probe_history(a_tank(), log, "spare").age_days(NOON) == pytest.approx(3)
    assert probe_history(a_tank(), log, "left").age_days(NOON) == pytest.approx(60)


@pytest.mark.parametrize(
    ("days", "quality", "said"),
    [(5, Quality.GOOD, False), (25, Quality.GOOD, True), (35, Quality.SUSPECT, True)],
)
def test_old_calibration_is_said_first_and_doubted_later(
    days: float, quality: Quality, said: bool
) -> None:
    found = co2_now(inputs_with(a_tank(), NOON, days_of(days=1), [calibrated(days)]))
    assert found.quality is quality
    assert said == any("calibrate it" in reason for reason in found.reasons)


def test_probe_of_which_no_calibration_is_known_is_doubted() -> None:
    found = co2_now(inputs_with(a_tank(), NOON, days_of(days=1)))
    assert found.quality is Quality.SUSPECT
    assert "no calibration of the pH probe is in the log" in found.reasons[0]


def with_second(apart_ph: float) -> Inputs:
    inputs = inputs_with(a_tank(), NOON, days_of(days=1), [calibrated(10)])
    mine = inputs.latest["ph"]
    other = Reading(mine.tank, "ph", "spare", to_us(NOON), mine.value + apart_ph)
    info = SeriesInfo(SeriesKey(mine.tank, "ph", "spare"), other)
    return replace(inputs, infos=(*inputs.infos, info))


def test_second_probe_that_agrees_changes_nothing() -> None:
    alone = co2_now(inputs_with(a_tank(), NOON, days_of(days=1), [calibrated(10)]))
    assert co2_now(with_second(0.1)) == alone


def test_second_probe_that_is_out_of_the_tank_contradicts_nobody() -> None:
    inputs = with_second(2.0)
    out = ProbeOut(SeriesKey("reed", "ph", "spare"), to_us(NOON) - 1, None)
    alone = co2_now(inputs_with(a_tank(), NOON, days_of(days=1), [calibrated(10)]))
    assert co2_now(replace(inputs, probes_out=(out,))) == alone


def test_second_probe_that_differs_makes_co2_suspect_and_its_interval_wider() -> None:
    inputs = with_second(0.3)
    found, alone = co2_now(inputs), co2_now(replace(inputs, infos=()))
    assert found.quality is Quality.SUSPECT
    assert "pH probe spare reads 0.30 higher" in found.reasons[0]
    assert found.co2 is not None and alone.co2 is not None
    assert found.co2.value == alone.co2.value
    # 0.3 pH are a factor of two of CO2: what the other probe says is within
    assert found.co2.low < found.co2.value / 2 < alone.co2.low
    assert co2_series(inputs).low[-1] == pytest.approx(alone.co2.low)


def test_one_moment_is_as_among_many() -> None:
    """Before, at and after each calibration; the same to the last digit."""
    dates = (NOON - timedelta(days=40), NOON - timedelta(days=3), NOON + timedelta(days=1))
    for times in ((), dates):
        probe = ProbeHistory(tuple(to_us(one) for one in times))
        moments = [
            NOON + timedelta(days=day, seconds=s) for day in (-40, -3, 1) for s in (-1, 0, 1)
        ]
        many = probe.sd_ph(np.array([to_us(one) for one in moments], dtype=np.int64))
        assert [probe.sd_ph_at(one) for one in moments] == many.tolist()
