"""Probes against the Nernst equation, buffer tables and hand-worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science.sensors import raw_signals
from service.science.sensors.buffers import BUFFER_SETS, buffer

NIST = raw_signals.BUFFER_SETS["nist"]


@pytest.mark.parametrize(
    ("celsius", "slope"), [(0, 54.199), (20, 58.167), (25, 59.159), (30, 60.151)]
)
def test_nernst_vs_published(celsius: float, slope: float) -> None:
    assert raw_signals.nernst_mv_per_ph(celsius) == pytest.approx(slope, abs=1e-3)


@pytest.mark.parametrize(
    ("name", "celsius", "expected"),
    [  # DIN 19266 / NIST SP 260-53
        ("phthalate", 10, 3.997),
        ("phthalate", 25, 4.005),
        ("phosphate", 20, 6.881),
        ("phosphate", 25, 6.865),
        ("borax", 25, 9.180),
        ("borax", 30, 9.139),
    ],
)
def test_buffers_vs_published(name: str, celsius: float, expected: float) -> None:
    assert raw_signals.buffer("nist", name).ph_at(celsius) == pytest.approx(expected, abs=1e-3)


def test_phosphate_between_rows_of_the_table() -> None:
    """NIST SP 260-53 gives phosphate 6.900 at 15 °C (from memory): lines between rows miss it by
    less than 0.005."""
    assert raw_signals.buffer("nist", "phosphate").ph_at(15) == pytest.approx(6.900, abs=0.005)


def test_two_point_calibration_hand_worked() -> None:
    """25 °C: 0.95 of Nernst is 56.201 mV/pH; offset 8 mV.

    phosphate 6.865 -> 8 + 0.135 * 56.201 = 15.587 mV; phthalate 4.005 -> 8 + 2.995 * 56.201 =
    176.322 mV.
    """
    found = raw_signals.calibrate(
        [
            raw_signals.CalibrationPoint(NIST["phosphate"], 15.587, 25),
            raw_signals.CalibrationPoint(NIST["phthalate"], 176.322, 25),
        ]
    )
    assert found.slope_percent == pytest.approx(95.0, abs=0.01)
    assert found.offset_mv == pytest.approx(8.0, abs=0.01)
    assert found.residual_ph == 0.0
    # 28.1005 mV above the offset is half a pH unit below 7 at this slope
    assert raw_signals.ph_from_millivolts(8 + 28.1005, 25, found) == pytest.approx(6.5, abs=1e-3)


@pytest.mark.parametrize(
    ("set_name", "name"),
    [(one, name) for one, names in BUFFER_SETS.items() for name in names],
)
def test_buffers_change_a_little_with_each_degree(set_name: str, name: str) -> None:
    """Bates, Determination of pH, 1973, dpH/dt: from -0.008 (borax) to +0.001 /K; from memory."""
    one = buffer(set_name, name)
    slopes = np.diff(one.ph) / np.diff(one.temperature_c)
    assert (slopes >= -0.0125).all() and (slopes <= 0.002).all()
    assert one.temperature_c == (10, 20, 25, 30, 40)
    assert one.ph_at(22.5) == pytest.approx((one.ph[1] + one.ph[2]) / 2)


@given(
    slope=st.floats(0.85, 1.05),
    offset=st.floats(-30, 30),
    ph=st.floats(4, 10),
    calibrated_at=st.floats(15, 30),
    used_at=st.floats(15, 30),
)
def test_three_buffers_recover_any_electrode(
    slope: float, offset: float, ph: float, calibrated_at: float, used_at: float
) -> None:
    def volts(value: float, celsius: float) -> float:
        return offset - slope * float(raw_signals.nernst_mv_per_ph(celsius)) * (value - 7)

    points = [
        # the third buffer was a little warmer
        raw_signals.CalibrationPoint(each, volts(float(each.ph_at(t)), t), t)
        for each, t in zip(
            NIST.values(), (calibrated_at, calibrated_at, calibrated_at + 2), strict=True
        )
    ]
    found = raw_signals.calibrate(points)
    assert found.residual_ph < 1e-9
    read = raw_signals.ph_from_millivolts(volts(ph, used_at), used_at, found)
    assert read == pytest.approx(ph, abs=1e-9)


def test_temperature_compensation_matters_far_from_seven() -> None:
    """Without it a probe calibrated at 25 °C is 0.05 pH off at pH 4 and 20 °C (3 * 5 / 298)."""
    ideal = raw_signals.Calibration(0.0, 1.0)
    millivolts = 3 * raw_signals.nernst_mv_per_ph(20)
    assert raw_signals.ph_from_millivolts(millivolts, 20, ideal) == pytest.approx(4.0)
    assert raw_signals.ph_from_millivolts(millivolts, 25, ideal) == pytest.approx(4.05, abs=0.002)


def test_wrong_buffer_set_shows_in_the_residual() -> None:
    ideal = raw_signals.Calibration(0.0, 1.0)
    technical = raw_signals.BUFFER_SETS["technical"]

    def read(ph: float) -> float:
        return -float(raw_signals.nernst_mv_per_ph(25)) * (ph - 7)

    right = [
        raw_signals.CalibrationPoint(b, read(float(b.ph_at(25))), 25) for b in technical.values()
    ]
    wrong = [
        raw_signals.CalibrationPoint(standard, point.millivolts, 25)
        for standard, point in zip(NIST.values(), right, strict=True)
    ]
    assert raw_signals.electrode_verdict(raw_signals.calibrate(right)).state == "good"
    verdict = raw_signals.electrode_verdict(raw_signals.calibrate(wrong))
    assert verdict.state != "good"
    assert any("wrong buffer set" in reason for reason in verdict.reasons)
    assert ideal.slope_percent == 100


@pytest.mark.parametrize(
    ("slope", "offset", "state"),
    [
        (0.99, 5, "good"),
        (0.92, 5, "ageing"),
        (0.99, 22, "ageing"),
        (0.8, 0, "replace"),
        (1, 45, "replace"),
    ],
)
def test_verdict(slope: float, offset: float, state: str) -> None:
    verdict = raw_signals.electrode_verdict(raw_signals.Calibration(offset, slope))
    assert verdict.state == state
    assert bool(verdict.reasons) == (state != "good")


def test_calibration_age_is_a_reason_not_a_fault() -> None:
    calibration = raw_signals.Calibration(0.0, 1.0, calibrated_s=0.0)
    verdict = raw_signals.electrode_verdict(calibration, now_s=45 * 86400.0)
    assert verdict.state == "good"
    assert verdict.reasons == ("calibrated 45 days ago; due every 21 days",)
    assert raw_signals.calibration_age_days(calibration, None) is None
    assert raw_signals.calibration_sd_ph(0) == pytest.approx(0.025)
    assert raw_signals.calibration_sd_ph(60) == pytest.approx(np.sqrt(0.025**2 + 2 * 0.09**2))


def test_calibration_refusals() -> None:
    point = raw_signals.CalibrationPoint(NIST["phosphate"], 0, 25)
    acid = raw_signals.CalibrationPoint(NIST["phthalate"], -150, 25)
    with pytest.raises(ValueError, match="points is 1; allowed: 2 or more"):
        raw_signals.calibrate([point])
    with pytest.raises(ValueError, match=r"0\.00 pH apart"):
        raw_signals.calibrate([point, point])
    with pytest.raises(ValueError, match="buffers swapped"):
        raw_signals.calibrate([point, acid])
    with pytest.raises(ValueError, match="temperature_c is 45; allowed: 10 to 40 °C"):
        raw_signals.buffer("nist", "borax").ph_at(45)
    with pytest.raises(ValueError, match="'jam'; allowed: nist, technical"):
        raw_signals.buffer("jam", "borax")
    with pytest.raises(ValueError, match=r"'borax'; allowed: 4\.01.* in the set technical"):
        raw_signals.buffer("technical", "borax")
    with pytest.raises(ValueError, match="allowed: ascending"):
        raw_signals.Buffer((25.0, 20.0), (4.0, 4.0))
    with pytest.raises(ValueError, match="allowed: two or more, one for each"):
        raw_signals.Buffer((25.0,), (4.0,))


def test_amplifier() -> None:
    # an inverting amplifier of gain 3 about 1.5 V
    assert raw_signals.millivolts_from_volts(1.2, gain=-3, zero_volts=1.5) == pytest.approx(100)
    with pytest.raises(ValueError, match="gain is 0; allowed: any number but 0"):
        raw_signals.millivolts_from_volts(1, gain=0)


def test_beta_thermistor_hand_worked() -> None:
    """10 kΩ at 25 °C, beta 3950 K: R(0 °C) = 10000 exp(3950 (1/273.15 - 1/298.15)) = 33.62 kΩ."""
    thermistor = raw_signals.steinhart_hart_from_beta(3950)
    found = raw_signals.temperature_from_thermistor_c([10000, 33621], thermistor)
    np.testing.assert_allclose(found, [25.0, 0.0], atol=1e-3)


def test_steinhart_hart_vs_published_typical() -> None:
    """A = 1.40e-3, B = 2.37e-4, C = 9.90e-8 are typical of 3 kΩ at room temperature (textbooks;
    from memory)."""
    typical = raw_signals.SteinhartHart(1.40e-3, 2.37e-4, 9.90e-8)
    assert raw_signals.temperature_from_thermistor_c(3000, typical) == pytest.approx(25.5, abs=0.1)


def test_steinhart_hart_through_three_points() -> None:
    celsius = [5.0, 25.0, 45.0]
    found = raw_signals.steinhart_hart_from_points([25395, 10000, 4367], celsius)
    back = raw_signals.temperature_from_thermistor_c([25395, 10000, 4367], found)
    np.testing.assert_allclose(back, celsius, atol=1e-9)
    with pytest.raises(ValueError, match="three different"):
        raw_signals.steinhart_hart_from_points([1, 1, 2], celsius)
    with pytest.raises(ValueError, match="allowed: three points"):
        raw_signals.steinhart_hart_from_points([1, 2], [3, 4])


def test_divider_and_broken_probe() -> None:
    # half the supply: equal resistances
    options = {"supply_volts": 3.3, "series_ohm": 10000.0}
    assert raw_signals.thermistor_ohm_from_divider(1.65, **options) == pytest.approx(10000)
    low = raw_signals.thermistor_ohm_from_divider(1.1, **options)
    high = raw_signals.thermistor_ohm_from_divider(1.1, **options, to_ground=False)
    assert (low, high) == (pytest.approx(5000), pytest.approx(20000))
    broken = raw_signals.thermistor_ohm_from_divider([0.0, 3.3, np.nan], **options)
    assert np.isnan(broken).all()


def test_light_by_gain() -> None:
    light = raw_signals.light_from_raw([2, 12, 102, 4095, np.nan], 3.0, dark=2, saturation=4095)
    np.testing.assert_array_equal(light, [0, 30, 300, np.nan, np.nan])
    assert raw_signals.light_from_raw(1, 3.0, dark=2) == 0
    gain = raw_signals.light_gain([2, 12, 102], [0, 31, 299], dark=2)
    assert gain == pytest.approx((10 * 31 + 100 * 299) / 10100)
    with pytest.raises(ValueError, match="allowed: a reading above the dark"):
        raw_signals.light_gain([1, 2], [10, 10], dark=5)
    with pytest.raises(ValueError, match="gain is 0; allowed"):
        raw_signals.light_from_raw(1, 0)
