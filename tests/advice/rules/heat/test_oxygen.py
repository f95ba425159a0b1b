"""The rule on oxygen."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.advice.engine.levers import MORE_GAS
from service.advice.engine.recommendation import Severity
from service.store.model import Reading
from service.times import to_us
from tests.advice.cases import amount, found, the, view_with
from tests.derive.pieces import NOON, a_tank


def test_low_oxygen_high_in_the_hills_does_not_forbid_gas_at_22_c() -> None:
    """At 2000 m water of 22 °C holds 6.8 mg/L; "while it is so warm" would be wrong."""
    view = view_with(a_tank(altitude_m=2000.0), celsius=22.5)
    one = the(view, "oxygen-low")
    assert "so warm" not in one.action and MORE_GAS not in one.refuses


@pytest.mark.parametrize(
    ("altitude_m", "celsius", "title", "why"),
    [
        # Benson & Krause 1984: 22 °C holds 8.7 mg/L at the sea: the air is thin, the water not warm
        (2000.0, 22.0, "At 2000 m water holds only 6.8 mg/L", "thin air at 2000 m, not of warmth"),
        (0.0, 30.5, "Warm water holds only 7.5 mg/L", "warmth"),
        (2000.0, 30.5, "Warm water at 2000 m holds only 5.8 mg/L", "both the warmth and the thin"),
    ],
)
def test_what_holds_oxygen_down_is_named(
    altitude_m: float, celsius: float, title: str, why: str
) -> None:
    one = the(view_with(a_tank(altitude_m=altitude_m), celsius=celsius), "oxygen-low")
    assert one.title.startswith(title)
    assert why in one.action


def test_at_the_sea_no_thin_air_is_blamed_while_it_clears() -> None:
    """At 29.3 °C the limit is passed again, and the condition is active up to 2 % above it."""
    active = frozenset({("oxygen-low", "")})
    one = the(view_with(a_tank(altitude_m=0.0), celsius=29.3), "oxygen-low", active)
    assert one.title.startswith("Warm water holds only 7.7 mg/L")
    assert "thin air" not in one.action


def test_oxygen_measured() -> None:
    view = view_with()
    for oxygen, severity in ((4.5, Severity.WARNING), (2.5, Severity.URGENT)):
        reading = Reading("reed", "dissolved_oxygen", "o2", to_us(NOON), oxygen)
        one = the(replace(view, latest={**view.latest, "dissolved_oxygen": reading}), "oxygen-low")
        assert one.severity is severity
    good = Reading("reed", "dissolved_oxygen", "o2", to_us(NOON), 7.5)
    assert found(replace(view, latest={"dissolved_oxygen": good}), "oxygen-low") == []


def test_oxygen_by_temperature_and_altitude() -> None:
    """Benson & Krause: 30 °C holds 7.56 mg/L at the sea, 25 °C at 1500 m about 6.9."""
    warm = the(view_with(celsius=30.0), "oxygen-low")
    assert amount(warm, "oxygen at saturation") == pytest.approx(7.56, abs=0.01)
    high = the(view_with(a_tank(altitude_m=1500.0), celsius=25.0), "oxygen-low")
    assert amount(high, "oxygen at saturation") == pytest.approx(6.9, abs=0.05)
    assert found(view_with(a_tank(animals=()), celsius=30.0), "oxygen-low") == []
