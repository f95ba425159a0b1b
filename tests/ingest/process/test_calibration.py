"""Calibration: from the log into the readings, raw kept, computed anew when it is corrected."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from ingest.decode.message import PayloadError, Reason
from ingest.process.calibration import Calibrations
from ingest.process.water_temperature import WaterTemperatures
from service.errors import InvalidInputError
from service.registry.log.calibration import read_calibration
from service.registry.models.log import LogEntry, LogKind
from service.store import Flag
from tests.ingest.conftest import publish

NOW = datetime(2031, 5, 4, 12, tzinfo=UTC)
NOW_US = int(NOW.timestamp() * 1e6)
DAY_US = 86_400_000_000
#: A good electrode at 25 °C: 59.16 mV per pH (Nernst; any handbook), 2 mV off at pH 7.
BUFFERS = {
    "points": [
        {"buffer": "7.00", "millivolts": 2.0, "temperature_c": 25},
        {"buffer": "4.01", "millivolts": 2.0 + 2.99 * 59.16, "temperature_c": 25},
    ]
}


def entry(data, time=NOW, tank="reed", id="e1"):
    return LogEntry(id, tank, LogKind.CALIBRATION, time, data)


def apply(calibrations, value, scale="mV", quantity="ph", time_us=NOW_US, sensor="main", **more):
    return calibrations.apply(("reed", quantity, sensor), value, scale, time_us, **more)


def test_electrode_from_buffers():
    calibrations = Calibrations([entry(BUFFERS)])
    calibrated = apply(calibrations, 2.0 + 0.4 * 59.16)
    assert calibrated.value == pytest.approx(6.6, abs=0.001)
    assert calibrated.raw == 2.0 + 0.4 * 59.16
    assert calibrated.flags == Flag.NONE


def test_sensor_is_found_by_the_name_that_is_written_on_it():
    calibrations = Calibrations([entry({**BUFFERS, "sensor": "Glass 1"})])
    assert apply(calibrations, 2.0, sensor="glass-1").flags == Flag.NONE


def test_electrode_is_compensated_by_the_tanks_thermometer():
    calibrations = Calibrations([entry(BUFFERS)])
    temperatures = WaterTemperatures()
    temperatures.add("reed", NOW_US, 20.0)

    def at(value, time_us):
        celsius = temperatures.at("reed", time_us)
        return apply(calibrations, value, time_us=time_us, temperature_c=celsius).value

    # Nernst slope at 20 °C: 58.17 mV per pH (any handbook)
    assert at(2.0 + 58.17, NOW_US) == pytest.approx(6.0, abs=0.001)
    assert at(2.0 + 59.16, NOW_US + 2 * 3_600_000_000) == pytest.approx(6.0, abs=0.001)


def test_amplifier_board_with_zero_and_gain():
    """A board that puts 2500 mV at pH 7 and three times the electrode's slope, falling."""
    board = {
        "zero_mv": 2500,
        "gain": -3.0,
        "points": [
            {"ph": 7.0, "millivolts": 2500},
            {"ph": 4.0, "millivolts": 2500 - 3 * 3 * 59.16},
        ],
    }
    calibrations = Calibrations([entry(board)])
    assert apply(calibrations, 2500 - 3 * 59.16).value == pytest.approx(6.0, abs=0.001)


def test_calibration_grows_old():
    calibrations = Calibrations([entry(BUFFERS)])
    assert apply(calibrations, 0.0, time_us=NOW_US + 29 * DAY_US).flags == Flag.NONE
    assert apply(calibrations, 0.0, time_us=NOW_US + 31 * DAY_US).flags == Flag.UNCALIBRATED


def test_of_two_calibrations_of_one_moment_the_last_stored_counts():
    worse = {"points": [dict(p, millivolts=p["millivolts"] + 30) for p in BUFFERS["points"]]}
    newest_first = [entry(worse, id="e2"), entry(BUFFERS)]
    assert round(apply(Calibrations(newest_first), 2.0).value, 2) == 7.51


def test_each_reading_gets_the_calibration_of_its_time():
    worse = {"points": [dict(p, millivolts=p["millivolts"] + 30) for p in BUFFERS["points"]]}
    calibrations = Calibrations([entry(worse, NOW + timedelta(days=10), id="e2"), entry(BUFFERS)])
    at = [apply(calibrations, 2.0, time_us=NOW_US + n * DAY_US) for n in (-1, 1, 11)]
    assert [round(c.value, 2) for c in at] == [7.0, 7.0, 7.51]
    assert [c.flags for c in at] == [Flag.UNCALIBRATED, Flag.NONE, Flag.NONE]


def test_uncalibrated_electrode_is_taken_as_ideal_and_doubted():
    calibrated = apply(Calibrations(), 59.16)
    assert calibrated.value == pytest.approx(6.0, abs=0.001)
    assert calibrated.flags == Flag.UNCALIBRATED


def test_raw_number_without_any_meaning_is_rejected():
    with pytest.raises(PayloadError) as caught:
        apply(Calibrations(), 812.0, quantity="illuminance")
    assert caught.value.reason == Reason.NOT_CALIBRATED


def test_thermometer_offset_keeps_the_raw_number():
    by_offset = Calibrations([entry({"quantity": "temperature", "offset": -0.3})])
    pair = {"quantity": "temperature", "points": [{"reading": 24.3, "reference": 24.0}]}
    for calibrations in (by_offset, Calibrations([entry(pair)])):
        calibrated = apply(calibrations, 25.0, None, "temperature")
        assert calibrated.value == pytest.approx(24.7)
        assert calibrated.raw == 25.0
        before = apply(calibrations, 25.0, None, "temperature", NOW_US - 1)
        assert (before.value, before.raw) == (25.0, None)


def test_par_factor_from_lux():
    calibrations = Calibrations([entry({"quantity": "ppfd", "unit": "lx", "factor": 0.018})])
    assert apply(calibrations, 10_000.0, "lx", "ppfd").value == pytest.approx(180.0)
    uncalibrated = apply(Calibrations(), 10_000.0, "lx", "ppfd")
    assert 100 < uncalibrated.value < 250
    assert uncalibrated.flags == Flag.UNCALIBRATED


def test_millivolts_of_any_sensor_by_two_points():
    data = {
        "quantity": "illuminance",
        "unit": "mV",
        "points": [{"reading": 10, "reference": 0}, {"reading": 510, "reference": 10_000}],
    }
    assert apply(Calibrations([entry(data)]), 260.0, "mV", "illuminance").value == pytest.approx(
        5000
    )


@pytest.mark.parametrize(
    ("data", "field"),
    [
        ({"offset": 1, "factor": 2}, "/data/factor"),
        ({"gain": -3.0}, "/data/gain"),
        ({"unit": "mV"}, "/data/unit"),
        ({"quantity": "temperature", "slope_percent": 95}, "/data/slope_percent"),
        ({"slope_percent": 0.95}, "/data/slope_percent"),
        ({"quantity": "sourness", "offset": 1}, "/data/quantity"),
        ({"offset": "0.3"}, "/data/offset"),
        ({"offset": float("nan")}, "/data/offset"),
        ({"offset": 0.3, "ofset": 0.3}, "/data/ofset"),
        ({"factor": 0}, "/data/factor"),
        ({"factor": 2, "unit": "V"}, "/data/unit"),
        ({"points": []}, "/data/points"),
        ({"points": 7}, "/data/points"),
        ({"points": [[7.01, 3.5]]}, "/data/points/0/reading"),
        ({"points": [{"reading": 7.0, "reference": 7.1}], "gain": 2}, "/data/gain"),
        ({"points": [{"reading": 1}]}, "/data/points/0/reference"),
        ({"points": [{"millivolts": 1, "buffer": "7.00"}]}, "/data/points"),
        ({"points": [{"millivolts": 1, "buffer": "6.5"}] * 2}, "/data/points/0/buffer"),
        ({"points": [{"millivolts": 1, "buffer": ["7.00"]}] * 2}, "/data/points/0/buffer"),
        (
            {"points": [{"millivolts": 1, "ph": 7, "temperature_c": 99}]},
            "/data/points/0/temperature_c",
        ),
        ({**BUFFERS, "buffers": "home-made"}, "/data/buffers"),
        ({**BUFFERS, "buffers": {}}, "/data/buffers"),
        ({**BUFFERS, "gain": 0}, "/data/gain"),
        ({**BUFFERS, "gain": -1}, "/data/points"),
    ],
)
def test_wrong_data_is_named(data, field):
    with pytest.raises(InvalidInputError) as caught:
        read_calibration(data, NOW_US)
    assert caught.value.detail.startswith(f"{field} is ")
    calibrations = Calibrations([entry(data), entry(BUFFERS, id="e2")])
    assert len(calibrations.faults) == 1
    assert apply(calibrations, 2.0).flags == Flag.NONE


def test_a_device_that_was_set_itself_only_grows_old():
    calibrations = Calibrations([entry({"quantity": "ph", "slope_percent": 97.0})])
    assert apply(calibrations, 6.6, None) == (6.6, None, Flag.NONE)
    later = apply(calibrations, 6.6, None, time_us=NOW_US + 31 * DAY_US)
    assert later == (6.6, None, Flag.UNCALIBRATED)


def test_slope_is_told_by_the_buffers_or_by_the_meter():
    def slope_percent(data):
        return read_calibration(data, NOW_US)[2].slope_percent

    assert slope_percent(BUFFERS) == pytest.approx(100.0, abs=0.01)
    tired = [BUFFERS["points"][0], dict(BUFFERS["points"][1], millivolts=2.0 + 2.99 * 50.3)]
    assert read_calibration({"points": tired}, NOW_US)[2].slope_percent == pytest.approx(
        85, abs=0.1
    )
    assert read_calibration({"slope_percent": 86}, NOW_US)[2].slope_percent == 86
    assert read_calibration({"offset": 0.1}, NOW_US)[2].slope_percent is None


def test_through_the_broker(mosquitto, make_bench):
    bench = make_bench(mosquitto)
    bench.registry.add_log("reed", LogKind.CALIBRATION, datetime.now(UTC), BUFFERS)
    bench.start()
    publish(mosquitto, "littoral/reed/ph", f"{2.0 + 0.4 * 59.16} mV")
    reading = bench.wait_for("reed", "ph")
    assert reading.value == pytest.approx(6.6, abs=0.001)
    assert (reading.raw, reading.flags) == (pytest.approx(25.664), Flag.NONE)
