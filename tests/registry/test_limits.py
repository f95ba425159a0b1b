"""What is accepted reaches up to its limits and no further; docs/registry.md has them all."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.errors import InvalidInputError
from service.registry.checks import check_absences, check_log, check_tank
from service.registry.models.absence import Absence
from service.registry.models.plans import DosePlan, PlantTargets, Salt, WaterChangePlan
from service.registry.models.tank import Dimensions, Stock, Tank

GOOD = Tank("a", "A", dimensions=Dimensions(90, 45, 45))
NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
BOX = GOOD.dimensions
DOSE = DosePlan("iron", g_per_100_l=1.0)


def tank(**changes: Any) -> Tank:
    return replace(GOOD, **changes)


def box(**changes: float) -> Tank:
    assert BOX is not None
    return tank(dimensions=replace(BOX, **changes))


def stock(**changes: Any) -> Tank:
    return tank(animals=(Stock("An invented fish", **changes),))


def change(**changes: float) -> Tank:
    return tank(water_change=replace(WaterChangePlan(), **changes))


#: How a number gets into a tank, the lowest and the highest that is accepted.
NUMBERS = {
    "length": (lambda n: box(length_cm=n), None, 10_000),
    "width": (lambda n: box(width_cm=n), None, 10_000),
    "height": (lambda n: box(height_cm=n), None, 10_000),
    "net volume": (lambda n: tank(net_volume_l=n), None, 1e6),
    "altitude": (lambda n: tank(altitude_m=n), -500, 6000),
    "KH": (lambda n: tank(kh_meq_l=n), 0, 20),
    "GH": (lambda n: tank(gh_meq_l=n), 0, 40),
    "temperature low": (lambda n: stock(temperature_low_c=n), 0, 45),
    "temperature high": (lambda n: stock(temperature_high_c=n), 0, 45),
    "CO2 of animals": (lambda n: stock(co2_max_mg_l=n), None, 200),
    "CO2 of plants": (lambda n: tank(targets=PlantTargets(0.0, n)), None, 200),
    "light of plants": (
        lambda n: tank(targets=replace(PlantTargets(), dli_low_mol_m2_d=0.0, dli_high_mol_m2_d=n)),
        None,
        100,
    ),
    "KH of the tap": (lambda n: change(tap_kh_meq_l=n), 0, 20),
    "GH of the tap": (lambda n: change(tap_gh_meq_l=n), 0, 40),
    "pH of the tap": (lambda n: change(tap_ph=n), 3, 11),
    "cold tap": (lambda n: change(tap_temperature_c=n), 0, 45),
    "hot tap": (lambda n: change(hot_temperature_c=n), 0, 95),
    "wanted KH": (lambda n: change(target_kh_meq_l=n), 0, 20),
    "wanted GH": (lambda n: change(target_gh_meq_l=n), 0, 40),
    "nitrate of the tap": (lambda n: change(tap_no3_mg_l=n), 0, 1000),
    "phosphate of the tap": (lambda n: change(tap_po4_mg_l=n), 0, 1000),
    "potassium of the tap": (lambda n: change(tap_k_mg_l=n), 0, 1000),
    "iron of the tap": (lambda n: change(tap_fe_mg_l=n), 0, 1000),
    "salt in a mix": (lambda n: tank(doses=(replace(DOSE, salts=(Salt("KNO3", n),)),)), None, 1e6),
    "ion on a label": (lambda n: tank(doses=(replace(DOSE, label_mg={"K": n}),)), None, 1000),
    "bottle": (
        lambda n: tank(doses=(DosePlan("a", 1.0, salts=(Salt("KNO3", 1.0),), bottle_ml=n),)),
        None,
        10_000,
    ),
    "dry dose": (lambda n: tank(doses=(DosePlan("iron", g_per_100_l=n),)), None, 10_000),
    "solution": (lambda n: tank(doses=(DosePlan("iron", ml_per_100_l=n),)), None, 10_000),
}


@pytest.mark.parametrize("name", NUMBERS)
def test_a_number_is_accepted_up_to_its_limits(name: str) -> None:
    made, low, high = NUMBERS[name]
    check_tank(made(high))
    wrong = [math.nextafter(high, math.inf)]
    if low is not None:
        check_tank(made(low))
        wrong.append(math.nextafter(low, -math.inf))
    for number in wrong:
        with pytest.raises(InvalidInputError):
            check_tank(made(number))


#: How so many of something get into a tank, and how many there may be.
COUNTS = {
    "groups of animals": (lambda n: tank(animals=(Stock("An invented fish"),) * n), 100),
    "animals": (lambda n: stock(count=n), 100_000),
    "doses": (lambda n: tank(doses=tuple(replace(DOSE, name=f"d{i}") for i in range(n))), 100),
    "salts of a dose": (
        lambda n: tank(doses=(replace(DOSE, salts=(Salt("KNO3", 1.0),) * n),)),
        20,
    ),
    "letters of a name": (lambda n: tank(name="x" * n), 200),
    "letters of a note": (lambda n: tank(notes="x" * n), 10_000),
    "letters of an id": (lambda n: tank(id="x" * n), 64),
}


@pytest.mark.parametrize("name", COUNTS)
def test_no_more_than_so_many(name: str) -> None:
    made, most = COUNTS[name]
    check_tank(made(most))
    with pytest.raises(InvalidInputError):
        check_tank(made(most + 1))


def test_no_more_than_twenty_points_of_a_calibration() -> None:
    def points(count: int) -> dict[str, Any]:
        pairs = [{"reading": float(n), "reference": 2.0 * n} for n in range(count)]
        return {"quantity": "temperature", "points": pairs}

    check_log("calibration", NOON, points(20))
    with pytest.raises(InvalidInputError):
        check_log("calibration", NOON, points(21))


def test_no_absence_for_more_than_a_thousand_tanks() -> None:
    def absent(count: int) -> list[Absence]:
        return [Absence("a", NOON, NOON + timedelta(days=1), tanks=("reed",) * count)]

    check_absences(absent(1000))
    with pytest.raises(InvalidInputError):
        check_absences(absent(1001))
