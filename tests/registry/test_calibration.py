"""A calibration from the data of a log entry, by closed forms."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from service.errors import InvalidInputError
from service.registry.log.calibration import Calibration, ideal, read_calibration

AT_US = 1_800_000_000_000_000
NERNST_MV = 59.159
"""mV per pH at 25 °C: R T ln 10 / F with the SI values of 2019."""


def calibrated(quantity: str = "ph", **data: Any) -> Calibration:
    found, sensor, calibration = read_calibration({"quantity": quantity, **data}, AT_US)
    assert (found, sensor, calibration.time_us) == (quantity, "main", AT_US)
    return calibration


def pairs(*points: tuple[float, float]) -> list[Mapping[str, float]]:
    return [{"reading": reading, "reference": reference} for reading, reference in points]


def test_a_single_pair_shifts_a_thermometer_and_scales_a_light_sensor() -> None:
    """25 for 24: one less in all of the range; 500 for 1000: twice all of it."""
    assert calibrated("temperature", points=pairs((25, 24))).curve(30, None) == pytest.approx(29)
    assert calibrated("ph", points=pairs((7.2, 7.0))).curve(6.0, None) == pytest.approx(5.8)
    assert calibrated("illuminance", points=pairs((500, 1000))).curve(30, None) == (
        pytest.approx(60)
    )
    for reading, reference in ((0, 1000), (500, 0), (-500, 1000)):
        with pytest.raises(InvalidInputError, match="one above 0"):
            calibrated("illuminance", points=pairs((reading, reference)))
    with pytest.raises(InvalidInputError, match="one above 0"):
        calibrated("temperature", unit="mV", points=pairs((500, 25)))


def test_several_pairs_give_the_line_of_least_squares() -> None:
    """(0, 1), (1, 3), (2, 8): slope 7/2 and 1/2 at 0 by the normal equations."""
    line = calibrated("temperature", points=pairs((0, 1), (1, 3), (2, 8))).curve
    assert (line(0, None), line(2, None)) == (pytest.approx(0.5), pytest.approx(7.5))
    for same, said in (
        (((1, 1), (1, 2)), "readings that differ"),
        (((1, 2), (2, 2)), "rise or fall with the readings"),
        (((1, 1.1), (2, 2.3), (3, 1.1)), "rise or fall with the readings"),
        (((1, 0), (2, 0)), "rise or fall with the readings"),
    ):
        with pytest.raises(InvalidInputError, match=said):
            calibrated("temperature", points=pairs(*same))


def test_offset_and_factor() -> None:
    assert calibrated("temperature", offset=-0.4).curve(25, None) == pytest.approx(24.6)
    assert calibrated("ppfd", unit="lx", factor=0.02).curve(5000, None) == pytest.approx(100)
    for wrong in ({"offset": 1.0, "unit": "mV"}, {"factor": 0.0}, {"factor": -1.0}):
        with pytest.raises(InvalidInputError):
            calibrated("ppfd", **wrong)


def test_an_electrode_by_its_buffers_and_as_an_ideal_one() -> None:
    points = [{"ph": ph, "millivolts": 5 - 0.95 * NERNST_MV * (ph - 7)} for ph in (4.0, 7.0)]
    found = calibrated(points=points)
    assert found.raw == "mV"
    assert found.slope_percent == pytest.approx(95, abs=0.01)
    assert found.curve(5 + 0.95 * NERNST_MV, 25.0) == pytest.approx(6.0, abs=1e-3)
    assert found.curve(5 + 0.95 * NERNST_MV, None) == pytest.approx(6.0, abs=1e-3)
    curve = ideal("ph", "mV")
    assert curve is not None and curve(-NERNST_MV, None) == pytest.approx(8.0, abs=1e-3)
    assert ideal("ph", "lx") is None and ideal("temperature", "mV") is None


def test_only_a_ph_calibration_grows_old_after_thirty_days() -> None:
    assert calibrated("ph", offset=0.1).due_us == AT_US + 30 * 86_400_000_000
    assert calibrated("temperature", offset=0.1).due_us is None


@pytest.mark.parametrize("percent", [1, 95.5, 200])
def test_a_slope_as_a_meter_shows_it(percent: float) -> None:
    assert calibrated(slope_percent=percent).slope_percent == percent


@pytest.mark.parametrize(
    "data",
    [
        {"slope_percent": 0.99},
        {"slope_percent": 200.1},
        {"quantity": "temperature", "slope_percent": 95},
        {"unit": "lx", "offset": 1},
        {"quantity": "illuminance", "unit": "lx", "factor": 1},
        {"unit": "mV"},
        {"buffers": "nist"},
        {"offset": True},
    ],
)
def test_what_makes_no_sense_is_refused(data: Mapping[str, Any]) -> None:
    with pytest.raises(InvalidInputError):
        read_calibration(data, AT_US)
