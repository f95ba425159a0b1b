"""From an empty service to a tank that is looked after, by commands alone: no JSON, no file."""

from __future__ import annotations

import json

from tests.cli.conftest import refused


def test_a_tank_is_set_up_and_looked_after(littoral, url, client):
    def ask(*words):
        done = littoral(*words, "--url", url)
        assert done.code == 0, done.err
        return done.out

    assert "littoral tank new" in ask("tank", "list")
    made = ask("tank", "new", "riffle", "--name", "Riffle", "--time-zone", "Europe/Lisbon")
    assert made == "Riffle (riffle) is registered, time zone Europe/Lisbon.\n"
    sides = ("dimensions.length", "90", "dimensions.width", "45 cm", "dimensions.height", "18 in")
    assert "dimensions.height  45.72 cm" in ask("tank", "set", "riffle", *sides)
    assert ask("tank", "set", "riffle", "kh", "4 dKH") == "kh  4 dKH\n"
    plans = (
        *("light.start", "10:00", "light.photoperiod", "8 h"),
        *("gas.start", "07:40", "gas.end", "17:00", "gas.close", "pull the grey plug"),
        *("water_change.every", "7 d", "water_change.fraction", "40 %"),
        *("water_change.tap_kh", "5 dKH", "targets.co2", "20 to 30 mg/L"),
        *("thresholds.work_fraction", "0.3", "sensors.ph", "glass-1"),
        *("equipment.lamp", "white LED", "contact", "the keeper, extension 12"),
    )
    assert "gas.start  07:40" in ask("tank", "set", "riffle", *plans)

    assert "20 Paracheirodon innesi" in ask(
        "tank", "animals", "add", "riffle", "Paracheirodon innesi", "20"
    )
    ask("tank", "animals", "set", "riffle", "Paracheirodon innesi", "--temperature", "21-27 °C")
    ask("tank", "plants", "add", "riffle", "Rotala rotundifolia", "--light", "medium")
    dose = ("Macro", "--volume-per-100-l", "5 mL", "--bottle", "500", "--salts", "KNO3=30 g")
    assert "volume_per_100_l 5 mL" in ask("tank", "doses", "add", "riffle", *dose)

    route = ("yard/box", "--tank", "riffle", "--quantity", "ph", "--sensor", "glass-1")
    assert "yard/box -> riffle ph glass-1" in ask("route", "add", *route, "--path", "water.ph")
    ask("log", "calibration", "riffle", "--sensor", "glass-1", "--buffer", "7.00=2", "--buffer",
        "4.01=178")  # fmt: skip
    assert "4 Jun 2025 13:00" in ask("calibration", "list", "riffle")
    ask("log", "cylinder", "riffle", "--content", "2 kg")
    ask("log", "salt", "riffle", "--mass", "20 g", "--time", "2025-06-01T18:00")
    ask("log", "medication", "riffle", "--name", "against flukes", "--volume", "5 mL")
    lines = ask("log", "list", "riffle").splitlines()
    words = {word for line in lines for word in line.split()}
    assert {"calibration", "cylinder", "salt", "medication", "adjustment"} <= words
    (salt,) = (line for line in lines if "  salt  " in line)
    assert "1 Jun 2025 18:00" in salt  # in the tank's own time
    assert "is deleted" in ask("log", "delete", "riffle", salt.split()[0])
    assert "salt" not in ask("log", "list", "riffle")

    away = ("--start", "2031-07-01", "--end", "2031-07-14", "--covers", "the neighbour")
    assert "1 Jul 2031 00:00 to 15 Jul 2031 00:00" in ask("absence", "add", *away)
    id, *_ = ask("absence", "list").split()
    assert "off the list" in ask("absence", "end", id)

    document = json.loads(ask("tank", "show", "riffle", "--json"))
    assert document["gas"] == {"start": "07:40", "end": "17:00", "close": "pull the grey plug"}
    assert document["animals"][0]["temperature"] == {"low": 21.0, "high": 27.0, "unit": "Cel"}
    assert document["volume"]["net"]["value"] > 150
    assert "pull the grey plug" in ask("tank", "show", "riffle")
    refused(littoral("tank", "delete", "riffle", "--url", url, "--readings", "some"), "--readings")
    assert "is deleted" in ask("tank", "delete", "riffle", "--yes")
    assert "no tank" in ask("tank", "list")
