"""A log entry in one line for people, the same on the page and in the return report."""

from datetime import UTC, datetime

import pytest

from service.registry.log.entry_text import entry_text
from service.registry.models.log import LogEntry, LogKind

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("kind", "data", "text"),
    [
        (
            "water-change",
            {"fraction": 0.5, "temperature_c": 24.0, "kh_meq_l": 4 * 0.356652},
            "Water change, 50 %, new water 24 °C, of 4.0 °dKH",
        ),
        ("dose", {"name": "macro", "ml": 18.0}, "Dose, macro 18 mL"),
        ("dose", {"name": "nitrate", "g": 0.5}, "Dose, nitrate 0.5 g"),
        ("kh-test", {"kh_meq_l": 4 * 0.356652}, "KH test, 4.0 °dKH"),
        ("gh-test", {"gh_meq_l": 7 * 0.356652}, "GH test, 7.0 °dGH"),
        ("nutrient-test", {"no3_mg_l": 12.0, "fe_mg_l": 0.1},
         "Nutrient test, NO3 12 mg/L, Fe 0.1 mg/L"),
        ("trim", {"fraction": 0.3, "part": "a", "height_cm": 12.0}, "Trim, 30 %, a, 12 cm left"),
        ("replant", {}, "Replant"),
        ("filter-clean", {"part": "sponge"}, "Filter clean, sponge"),
        ("stocking", {"species": "Danio rerio", "count": 8}, "Stocking, 8 Danio rerio came in"),
        ("stocking", {"species": "Danio rerio", "count": -2},
         "Stocking, 2 Danio rerio died or left"),
        ("salt", {"g": 30.0, "name": "sodium chloride"}, "Salt, sodium chloride, 30 g"),
        ("medication", {"name": "invented remedy", "ml": 5.0},
         "Medication, invented remedy, 5 mL"),
        ("medication", {"name": "invented remedy"}, "Medication, invented remedy"),
        ("buffer", {"g": 3.5, "salt": "KHCO3"}, "KH buffer, 3.5 g KHCO3"),
        ("cylinder", {"g": 2000.0}, "New CO2 cylinder, 2000 g CO2"),
        ("observation", {"kind": "tufts", "level": 2},
         "Tufts of algae 2: a few tufts on the oldest leaves"),
        ("observation", {"kind": "hydra", "level": 0, "where": "left"},
         "Hydra (they sting) 0: none seen on wood or glass, where left"),
        ("observation", {"plant": "Rotala macrandra", "height_cm": 23.0},
         "Observation, Rotala macrandra 23 cm tall"),
        ("trim", {"plant": "Rotala macrandra", "height_cm": 12.0},
         "Trim, Rotala macrandra, 12 cm left"),
        ("observation", {"snails": 4.0}, "Observation, snails 4"),
        ("observation", {"done": "Water is too warm"}, "Done: Water is too warm"),
        ("calibration", {"quantity": "ph", "sensor": "board-7"},
         "Calibration of the pH sensor board-7"),
        (
            "calibration",
            {"quantity": "ph", "points": [
                {"buffer": "7.00", "millivolts": 2.1, "temperature_c": 22.0},
                {"buffer": "4.01", "millivolts": 178.9, "temperature_c": 22.0}]},
            "Calibration of the pH sensor: 7.00 at 2.1 mV, 22 °C; 4.01 at 178.9 mV, 22 °C",
        ),
        ("calibration", {"points": [{"reading": 6.95, "reference": 7.0}]},
         "Calibration of the pH sensor: 7 read as 6.95"),
        ("calibration", {"quantity": "temperature", "offset": -0.3},
         "Calibration of the temperature sensor: -0.3 added"),
        ("probe-out", {"quantity": "ph", "sensor": "glass", "minutes": 20.0},
         "pH probe glass out of the tank for 20 min"),
        ("probe-back", {"quantity": "temperature"}, "Temperature probe back in the tank"),
    ],
)  # fmt: skip
def test_what_was_done_with_its_amounts(kind, data, text):
    assert entry_text(LogEntry("x", "reed", LogKind(kind), NOON, data)) == text
