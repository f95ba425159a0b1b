"""What a tank and an absence may be; every wrong field is named before anything is stored."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import time
from zoneinfo import ZoneInfo

from service.registry.faults import NAME_LENGTH, NOTE_LENGTH, Faults
from service.registry.models import (
    Absence,
    Dimensions,
    DosePlan,
    PhotoperiodPlan,
    PlantDemand,
    Stock,
    Tank,
    WaterChangePlan,
)
from service.registry.volume import volume_of
from service.science.numeric.checks import OutOfRangeError
from service.units import QUANTITIES

ID = re.compile(r"[a-z0-9-]{1,64}")
ID_ALLOWED = "1 to 64 of a-z, 0-9 and -"
SENSOR = re.compile(r"[^\s/+#]{1,64}")
THRESHOLD = re.compile(r"[a-z][a-z0-9_]{0,63}")
ENERGIES = ("high", "low")

# Limits of what is taken, not of what is good: beyond them it is a slip of the pen or of the unit.
LONGEST_CM = 10_000.0
MOST_L = 1_000_000.0
MOST_MEQ_L = 20.0  # 56 dKH
MOST_GH_MEQ_L = 40.0
MOST_CO2_MG_L = 200.0
MOST_DLI = 100.0
COLDEST_C, WARMEST_C = 0.0, 45.0
HOTTEST_C = 95.0  # of a hot tap
LOWEST_PH, HIGHEST_PH = 3.0, 11.0
MOST_ITEMS = 100


def check_tank(tank: Tank) -> None:
    """Refuse a tank with a field that is not allowed.

    Raises:
        InvalidInputError: names every wrong field, its value and what is allowed.
    """
    faults = Faults()
    check_id(faults, "id", tank.id)
    faults.text("name", tank.name, NAME_LENGTH, empty=False)
    _check_zone(faults, tank.time_zone)
    if tank.dimensions is not None:
        _check_dimensions(faults, tank.dimensions)
    faults.optional("net_volume_l", tank.net_volume_l, 0, MOST_L, "L", above=True)
    faults.number("altitude_m", tank.altitude_m, -500, 6000, "m")
    faults.optional("kh_meq_l", tank.kh_meq_l, 0, MOST_MEQ_L, "meq/L")
    faults.optional("gh_meq_l", tank.gh_meq_l, 0, MOST_GH_MEQ_L, "meq/L")
    faults.day("kh_tested", tank.kh_tested)
    faults.day("set_up", tank.set_up)
    faults.one_of("energy", tank.energy, ENERGIES)
    faults.flag("heated", tank.heated)
    faults.flag("co2_injected", tank.co2_injected)
    faults.lines("notes", tank.notes, NOTE_LENGTH)
    _check_livestock(faults, tank.livestock)
    _check_plants(faults, tank.plants)
    _check_photoperiod(faults, tank.photoperiod)
    _check_water_change(faults, tank.water_change)
    _check_doses(faults, tank.doses)
    _check_names(faults, tank)
    faults.refuse()


def check_absences(absences: Sequence[Absence]) -> None:
    """Refuse a list of absences with a field that is not allowed.

    Raises:
        InvalidInputError: names every wrong field, its value and what is allowed.
    """
    faults = Faults()
    seen: set[str] = set()
    for number, absence in enumerate(absences):
        at = f"absences.{number}"
        check_id(faults, f"{at}.id", absence.id)
        if absence.id in seen:
            faults.add(f"{at}.id", absence.id, "an id that no other absence has")
        seen.add(absence.id)
        start_fits = faults.moment(f"{at}.start", absence.start)
        end_fits = faults.moment(f"{at}.end", absence.end)
        if start_fits and end_fits and absence.end <= absence.start:
            later = f"a time later than {at}.start, which is {absence.start.isoformat()}"
            faults.add(f"{at}.end", absence.end.isoformat(), later)
        faults.text(f"{at}.covers", absence.covers, NAME_LENGTH)
        faults.lines(f"{at}.note", absence.note, NOTE_LENGTH)
        for place, tank in enumerate(absence.tanks):
            check_id(faults, f"{at}.tanks.{place}", tank)
    faults.refuse()


def check_id(faults: Faults, field: str, value: object) -> None:
    """Note a fault unless the value can be an id in topics and addresses."""
    if not isinstance(value, str) or not ID.fullmatch(value):
        faults.add(field, value, ID_ALLOWED)


def _check_zone(faults: Faults, name: object) -> None:
    try:
        ZoneInfo(str(name))
    except (ValueError, OSError, LookupError):
        faults.add("time_zone", name, "a name of the IANA time zone database, as in Europe/Vienna")


def _check_dimensions(faults: Faults, dimensions: Dimensions) -> None:
    at = "dimensions"
    fits = [
        faults.number(f"{at}.{name}", getattr(dimensions, name), 0, LONGEST_CM, "cm", above=True)
        for name in ("length_cm", "width_cm", "height_cm")
    ]
    fill = dimensions.fill_height_cm
    if fill is not None:
        fits.append(faults.number(f"{at}.fill_height_cm", fill, 0, LONGEST_CM, "cm", above=True))
    depth, rock = dimensions.substrate_depth_cm, dimensions.hardscape_l
    fits.append(faults.number(f"{at}.substrate_depth_cm", depth, 0, LONGEST_CM, "cm"))
    fits.append(faults.number(f"{at}.substrate_porosity", dimensions.substrate_porosity, 0, 1))
    fits.append(faults.number(f"{at}.hardscape_l", rock, 0, MOST_L, "L"))
    if not all(fits):
        return
    try:
        volume_of(dimensions)
    except OutOfRangeError as error:  # they contradict each other
        faults.add(f"{at}.{error.name}", getattr(dimensions, error.name), error.allowed)


def _check_livestock(faults: Faults, livestock: Sequence[Stock]) -> None:
    _check_length(faults, "livestock", livestock)
    for number, stock in enumerate(livestock):
        at = f"livestock.{number}"
        faults.text(f"{at}.species", stock.species, NAME_LENGTH, empty=False)
        faults.whole(f"{at}.count", stock.count, 0, 100_000)
        faults.day(f"{at}.added", stock.added)
        low, high = stock.temperature_low_c, stock.temperature_high_c
        low_fits = faults.optional(f"{at}.temperature_low_c", low, COLDEST_C, WARMEST_C, "°C")
        high_fits = faults.optional(f"{at}.temperature_high_c", high, COLDEST_C, WARMEST_C, "°C")
        if low_fits and high_fits and low is not None and high is not None:
            faults.ordered(f"{at}.temperature_low_c", low, f"{at}.temperature_high_c", high)
        faults.optional(
            f"{at}.co2_max_mg_l", stock.co2_max_mg_l, 0, MOST_CO2_MG_L, "mg/L", above=True
        )
        if stock.air_breather is not None:
            faults.flag(f"{at}.air_breather", stock.air_breather)


def _check_plants(faults: Faults, plants: PlantDemand) -> None:
    for low_name, high_name, most, unit in (
        ("co2_low_mg_l", "co2_high_mg_l", MOST_CO2_MG_L, "mg/L"),
        ("dli_low_mol_m2_d", "dli_high_mol_m2_d", MOST_DLI, "mol/m2/d"),
    ):
        low, high = getattr(plants, low_name), getattr(plants, high_name)
        low_fits = faults.number(f"plants.{low_name}", low, 0, most, unit)
        high_fits = faults.number(f"plants.{high_name}", high, 0, most, unit)
        if low_fits and high_fits:
            faults.ordered(f"plants.{low_name}", low, f"plants.{high_name}", high)


def _check_photoperiod(faults: Faults, plan: PhotoperiodPlan) -> None:
    at = "photoperiod"
    faults.number(f"{at}.hours", plan.hours, 0, 24, "h")
    for name in ("lights_on", "gas_on", "gas_off"):
        value = getattr(plan, name)
        if value is None and name != "lights_on":
            continue
        if not isinstance(value, time) or value.tzinfo is not None:
            faults.add(f"{at}.{name}", value, "a local time of day such as 10:30")
    if (plan.gas_on is None) != (plan.gas_off is None):
        missing = "gas_off" if plan.gas_off is None else "gas_on"
        faults.add(f"{at}.{missing}", None, "a time of day, where the other one is given")
    elif plan.gas_on is not None and plan.gas_on == plan.gas_off:
        faults.add(f"{at}.gas_off", str(plan.gas_off), "another time of day than gas_on")


def _check_water_change(faults: Faults, plan: WaterChangePlan) -> None:
    at = "water_change"
    faults.number(f"{at}.every_days", plan.every_days, 0, 3650, "d", above=True)
    faults.number(f"{at}.fraction", plan.fraction, 0, 1, above=True)
    faults.optional(f"{at}.tap_kh_meq_l", plan.tap_kh_meq_l, 0, MOST_MEQ_L, "meq/L")
    faults.optional(f"{at}.tap_temperature_c", plan.tap_temperature_c, COLDEST_C, WARMEST_C, "°C")
    faults.optional(f"{at}.tap_gh_meq_l", plan.tap_gh_meq_l, 0, MOST_GH_MEQ_L, "meq/L")
    faults.optional(f"{at}.tap_ph", plan.tap_ph, LOWEST_PH, HIGHEST_PH)
    faults.optional(f"{at}.hot_temperature_c", plan.hot_temperature_c, COLDEST_C, HOTTEST_C, "°C")
    aim_kh, aim_gh = plan.target_kh_meq_l, plan.target_gh_meq_l
    faults.optional(f"{at}.target_kh_meq_l", aim_kh, 0, MOST_MEQ_L, "meq/L")
    faults.optional(f"{at}.target_gh_meq_l", aim_gh, 0, MOST_GH_MEQ_L, "meq/L")


def _check_doses(faults: Faults, doses: Sequence[DosePlan]) -> None:
    _check_length(faults, "doses", doses)
    names = [dose.name for dose in doses]
    for number, dose in enumerate(doses):
        at = f"doses.{number}"
        faults.text(f"{at}.name", dose.name, NAME_LENGTH, empty=False)
        if names.index(dose.name) < number:
            faults.add(f"{at}.name", dose.name, "a name that no other dose of the tank has")
        if (dose.ml_per_100_l is None) == (dose.g_per_100_l is None):
            faults.add(
                f"{at}.ml_per_100_l", dose.ml_per_100_l, "either this one or g_per_100_l, not both"
            )
        faults.optional(f"{at}.ml_per_100_l", dose.ml_per_100_l, 0, 10_000, "mL", above=True)
        faults.optional(f"{at}.g_per_100_l", dose.g_per_100_l, 0, 10_000, "g", above=True)


def _check_names(faults: Faults, tank: Tank) -> None:
    for quantity, sensor in tank.sensors.items():
        if quantity not in QUANTITIES:
            faults.add(f"sensors.{quantity}", quantity, ", ".join(QUANTITIES))
        if not isinstance(sensor, str) or not SENSOR.fullmatch(sensor):
            faults.add(f"sensors.{quantity}", sensor, "1 to 64 characters, no blank, /, + or #")
    for name, value in tank.thresholds.items():
        if not THRESHOLD.fullmatch(name):
            faults.add(f"thresholds.{name}", name, "a name of a-z, 0-9 and _")
        faults.number(f"thresholds.{name}", value, -1e12, 1e12)
    faults.free("equipment", tank.equipment)


def _check_length(faults: Faults, field: str, items: Sequence[object]) -> None:
    if len(items) > MOST_ITEMS:
        faults.add(field, f"{len(items)} items", f"up to {MOST_ITEMS} items")
