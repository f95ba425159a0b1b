"""Bad tanks, absences and log entries: each wrong field is named with its value."""

import math
from dataclasses import replace
from datetime import UTC, date, datetime, time

import pytest

from service.errors import InvalidInputError
from service.registry.checks import check_absences, check_log, check_tank
from service.registry.fields.log.kinds import KINDS
from service.registry.models.absence import Absence
from service.registry.models.log import LogKind
from service.registry.models.plans import (
    DosePlan,
    GasPlan,
    LightPlan,
    PlantTargets,
    Salt,
    WaterChangePlan,
)
from service.registry.models.tank import Dimensions, Stock, Tank

GOOD = Tank("a", "A", dimensions=Dimensions(90, 45, 45))
NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


def faults_of(check, *args):
    with pytest.raises(InvalidInputError) as caught:
        check(*args)
    return {fault.pointer: fault.detail for fault in caught.value.faults}


@pytest.mark.parametrize("id", ["", "A", "a b", "a/b", "ä", "a_b", "a" * 65, "a\n", "+", 7, None])
def test_a_tank_id_is_for_topics_and_addresses(id):
    assert "1 to 64 of a-z, 0-9 and -" in faults_of(check_tank, replace(GOOD, id=id))["/id"]


@pytest.mark.parametrize("zone", ["Vienna", "", "../etc/passwd", "/etc/localtime", "UTC+25", 3])
def test_an_unknown_time_zone_is_named(zone):
    detail = faults_of(check_tank, replace(GOOD, time_zone=zone))["/time_zone"]
    assert repr(zone) in detail
    assert "IANA" in detail


@pytest.mark.parametrize("zone", ["UTC", "Europe/Vienna", "Asia/Kolkata", "America/St_Johns"])
def test_known_time_zones_pass(zone):
    check_tank(replace(GOOD, time_zone=zone))


@pytest.mark.parametrize(
    ("dimensions", "pointer"),
    [
        (Dimensions(-90, 45, 45), "length"),
        (Dimensions(90, 0, 45), "width"),
        (Dimensions(90, 45, math.nan), "height"),
        (Dimensions(math.inf, 45, 45), "length"),
        (Dimensions("90", 45, 45), "length"),
        (Dimensions(90, 45, True), "height"),
        (Dimensions(90, 45, 45, fill_height_cm=46), "fill_height"),
        (Dimensions(90, 45, 45, substrate_depth_cm=-1), "substrate_depth"),
        (Dimensions(90, 45, 45, substrate_depth_cm=50), "substrate_depth"),
        (Dimensions(90, 45, 45, substrate_porosity=1.2), "substrate_porosity"),
        (Dimensions(90, 45, 45, substrate_porosity=-0.1), "substrate_porosity"),
        (Dimensions(90, 45, 45, hardscape_l=-3), "hardscape"),
        (Dimensions(90, 45, 45, hardscape_l=183), "hardscape"),
    ],
)
def test_impossible_dimensions_are_named(dimensions, pointer):
    assert list(faults_of(check_tank, replace(GOOD, dimensions=dimensions))) == [
        f"/dimensions/{pointer}"
    ]


@pytest.mark.parametrize(
    ("changes", "pointer", "says"),
    [
        ({"name": "  "}, "/name", "one line of 1 to 200"),
        ({"name": "two\nlines"}, "/name", "one line"),
        ({"name": "half \ud83d"}, "/name", "printable"),
        ({"notes": "nul \x00"}, "/notes", "printable"),
        ({"net_volume_l": -5}, "/net_volume", "-5; allowed: a number above 0"),
        ({"net_volume_l": 0}, "/net_volume", "above 0"),
        ({"altitude_m": 20_000}, "/altitude", "-500 to 6000 m"),
        ({"kh_meq_l": -0.1}, "/kh", "from 0 to 20 meq/L"),
        ({"gh_meq_l": 1e9}, "/gh", "from 0 to 40"),
        ({"energy": "medium"}, "/energy", "high, low"),
        ({"heated": 1}, "/heated", "true or false"),
        ({"set_up": date(1850, 1, 1)}, "/set_up", "from 1970"),
        ({"kh_tested": NOON}, "/kh_tested", "a date"),
        ({"animals": (Stock(""),)}, "/animals/0/species", "one line of 1"),
        ({"animals": (Stock("x", -1),)}, "/animals/0/count", "whole number from 0"),
        ({"animals": (Stock("x", 2.5),)}, "/animals/0/count", "whole number"),
        (
            {"animals": (Stock("x"), Stock("y", 1, None, 26, 22))},
            "/animals/1/temperature/high",
            "22; allowed: more than low, which is 26",
        ),
        ({"animals": (Stock("x", co2_max_mg_l=0),)}, "/animals/0/co2_max", "above 0"),
        (
            {"targets": PlantTargets(30, 20)},
            "/targets/co2/high",
            "20; allowed: more than low, which is 30",
        ),
        (
            {"targets": PlantTargets(20, 30, 4, 1)},
            "/targets/dli/high",
            "1; allowed: more than low, which is 4",
        ),
        ({"light": LightPlan(photoperiod_h=25)}, "/light/photoperiod", "from 0 to 24 h"),
        (
            {"light": LightPlan(time(10, tzinfo=UTC))},
            "/light/start",
            "local time of day",
        ),
        ({"gas": GasPlan(start=time(8))}, "/gas/end", "missing"),
        (
            {"gas": GasPlan(start=time(8), end=time(8))},
            "/gas/end",
            "another time",
        ),
        ({"water_change": WaterChangePlan(0, 0.5)}, "/water_change/every", "above 0"),
        ({"water_change": WaterChangePlan(7, 50)}, "/water_change/fraction", "50; allowed"),
        ({"doses": (DosePlan("a"),)}, "/doses/0/volume_per_100_l", "not both"),
        ({"doses": (DosePlan("a", 1, 2),)}, "/doses/0/volume_per_100_l", "not both"),
        ({"doses": (DosePlan("a", 1), DosePlan("a", 2))}, "/doses/1/name", "no other dose"),
        (
            {"doses": (DosePlan("a", 1, salts=(Salt("KNO3", 5),)),)},
            "/doses/0/bottle",
            "filled up to",
        ),
        (
            {"doses": (DosePlan("a", None, 1, salts=(Salt("KNO3", 5),), bottle_ml=9),)},
            "/doses/0/bottle",
            "9; allowed: null",
        ),
        (
            {"doses": (DosePlan("a", 1, None, (Salt("KNO3", 5),), 500, {"K": 1}),)},
            "/doses/0/label",
            "not both",
        ),
        (
            {"doses": (DosePlan("a", 1, label_mg={"nitrate": 3}),)},
            "/doses/0/label",
            "NO3, PO4, K, Fe",
        ),
        (
            {"doses": (DosePlan("a", None, 1, (Salt("salt", 5),)),)},
            "/doses/0/salts/0/substance",
            "KNO3",
        ),
        ({"sensors": {"salinity": "x"}}, "/sensors/salinity", "temperature, ph"),
        ({"sensors": {"ph": "a/b"}}, "/sensors/ph", "no blank, /, + or #"),
        ({"thresholds": {"Ph Max": 7}}, "/thresholds/Ph Max", "a-z, 0-9 and _"),
        ({"thresholds": {"ph_max": math.nan}}, "/thresholds/ph_max", "nan; allowed"),
        ({"equipment": {"pump": {"flow": math.inf}}}, "/equipment/pump/flow", "finite"),
        ({"equipment": {"cylinder_g": "2 kg"}}, "/equipment/cylinder_g", "belongs in `cylinder`"),
        ({"equipment": {"pump": {1, 2}}}, "/equipment/pump", "JSON"),
        ({"equipment": {"a": [[[["deep"]]]]}}, "/equipment/a/0/0/0", "not nested deeper"),
    ],
)
def test_a_wrong_field_is_named_with_what_is_allowed(changes, pointer, says):
    found = faults_of(check_tank, replace(GOOD, **changes))
    assert list(found) == [pointer]
    assert says in found[pointer]


def test_every_wrong_field_is_told_at_once():
    bad = replace(GOOD, id="A", energy="?", heated=None, net_volume_l=-1)
    with pytest.raises(InvalidInputError, match="and 1 more") as caught:
        check_tank(bad)
    assert {fault.pointer for fault in caught.value.faults} == {
        "/id", "/energy", "/heated", "/net_volume",
    }  # fmt: skip


def test_any_script_and_joined_signs_may_stand_in_a_name():
    check_tank(replace(GOOD, name="水草 tank of the 👩‍👧 family", notes="eins\r\nzwei\tdrei"))


@pytest.mark.parametrize(
    ("absence", "pointer"),
    [
        (Absence("A", NOON, NOON.replace(hour=13)), "/absences/0/id"),
        (Absence("a", NOON, NOON), "/absences/0/end"),
        (Absence("a", NOON.replace(tzinfo=None), NOON), "/absences/0/start"),
        (Absence("a", NOON, NOON.replace(year=2300)), "/absences/0/end"),
        (Absence("a", NOON, NOON.replace(hour=13), tanks=("ok", "Not")), "/absences/0/tanks/1"),
        (Absence("a", NOON, NOON.replace(hour=13), covers="x" * 201), "/absences/0/covers"),
    ],
)
def test_a_wrong_absence_is_named(absence, pointer):
    assert list(faults_of(check_absences, [absence])) == [pointer]


GOOD_DATA = {
    LogKind.WATER_CHANGE: [{"fraction": 1}, {"fraction": 0.5, "temperature_c": 23.5}],
    LogKind.DOSE: [{"name": "iron", "ml": 3}, {"name": "nitrate", "g": 0.4}],
    LogKind.KH_TEST: [{"kh_meq_l": 0}, {"kh_meq_l": 1.43}],
    LogKind.GH_TEST: [{"gh_meq_l": 2.1}],
    LogKind.NUTRIENT_TEST: [{"no3_mg_l": 0}, {"po4_mg_l": 1.2, "k_mg_l": 15, "fe_mg_l": 0.1}],
    LogKind.TRIM: [{}, {"fraction": 0.4, "part": "left background"}],
    LogKind.REPLANT: [{}, {"fraction": 1}],
    LogKind.FILTER_CLEAN: [{}, {"part": "pre-filter"}],
    LogKind.STOCKING: [{"species": "Danio rerio", "count": 8}, {"species": "x", "count": -1}],
    LogKind.ADJUSTMENT: [{"lever": "gas-flow", "after": "14 % more"}, {"lever": "water"}],
    LogKind.CALIBRATION: [
        {},
        {"quantity": "ph", "sensor": "main", "slope_percent": 97.5},
        {"quantity": "temperature", "offset": -0.3},
        {"points": [{"buffer": "7.00", "millivolts": 2}, {"buffer": "4.01", "millivolts": 179}]},
    ],
    LogKind.SALT: [{"g": 30.0}, {"g": 30.0, "name": "sodium chloride"}],
    LogKind.MEDICATION: [{"name": "invented remedy"}, {"name": "invented remedy", "ml": 5.0}],
    LogKind.BUFFER: [{"g": 3.5, "salt": "KHCO3"}],
    LogKind.CYLINDER: [{"g": 2000.0}],
    LogKind.PROBE_OUT: [{}, {"quantity": "ph", "sensor": "main", "minutes": 30}],
    LogKind.PROBE_BACK: [{}, {"quantity": "temperature"}],
    LogKind.PROBE_OUT: [{}, {"quantity": "ph", "sensor": "glass", "minutes": 20}],
    LogKind.PROBE_BACK: [{}, {"quantity": "temperature", "sensor": "main"}],
    LogKind.OBSERVATION: [{"dead": 1}],
}


def test_good_entries_of_every_kind_pass():
    assert set(GOOD_DATA) == set(KINDS) == set(LogKind)
    for kind, examples in GOOD_DATA.items():
        for data in examples:
            check_log(kind, NOON, data)


@pytest.mark.parametrize(
    ("kind", "data", "pointer"),
    [
        ("water-change", {}, "/data/fraction"),
        ("water-change", {"fraction": 0}, "/data/fraction"),
        ("water-change", {"fraction": 50}, "/data/fraction"),
        ("water-change", {"fraction": "half"}, "/data/fraction"),
        ("water-change", {"fraction": 0.5, "percent": 50}, "/data/percent"),
        ("water-change", {"fraction": 0.5, "temperature_c": 80}, "/data/temperature"),
        ("dose", {"ml": 3}, "/data/name"),
        ("dose", {"name": "iron"}, "/data/volume"),
        ("dose", {"name": "iron", "ml": 3, "g": 1}, "/data/volume"),
        ("dose", {"name": "iron", "ml": -3}, "/data/volume"),
        ("kh-test", {}, "/data/kh"),
        ("kh-test", {"kh_meq_l": -1}, "/data/kh"),
        ("kh-test", {"kh_meq_l": math.nan}, "/data/kh"),
        ("gh-test", {"gh_meq_l": 1000}, "/data/gh"),
        ("nutrient-test", {}, "/data/no3"),
        ("nutrient-test", {"no3_mg_l": -1}, "/data/no3"),
        ("nutrient-test", {"k_mg_l": 5, "nitrate": 5}, "/data/nitrate"),
        ("trim", {"fraction": 1.5}, "/data/fraction"),
        ("replant", {"where": "left"}, "/data/where"),
        ("filter-clean", {"part": ""}, "/data/part"),
        ("stocking", {"species": "Danio rerio", "count": 0}, "/data/count"),
        ("stocking", {"count": 3}, "/data/species"),
        ("calibration", {"quantity": "redox"}, "/data/quantity"),
        ("calibration", {"points": [[math.inf, 1]]}, "/data/points/0/0"),
        ("calibration", {"points": [[7.01, 3.5]]}, "/data/points/0/reading"),
        ("calibration", {"offset_mv": 4.5}, "/data/offset_mv"),
        ("calibration", {"quantity": "temperature", "sensor": "", "offset": 1}, "/data/sensor"),
        ("probe-out", {"minutes": 0}, "/data/minutes"),
        ("probe-out", {"minutes": 1e6}, "/data/minutes"),
        ("probe-back", {"quantity": "salinity"}, "/data/quantity"),
        ("observation", {}, "/note"),
        ("feeding", {}, "/kind"),
    ],
)
def test_a_wrong_log_entry_is_named(kind, data, pointer):
    assert list(faults_of(check_log, kind, NOON, data)) == [pointer]


@pytest.mark.parametrize(
    ("data", "pointer", "says"),
    [
        ({"pump": {"flow": math.inf}}, "/data/pump/flow", "finite"),
        ({"pump": {1, 2}}, "/data/pump", "JSON"),
        ({"a": [[[["deep"]]]]}, "/data/a/0/0/0", "not nested deeper"),
        ({"many": list(range(201))}, "/data/many", "up to 200 items"),
        ({"half": "\ud83d"}, "/data/half", "printable"),
        ({"kind": "moss", "level": 2}, "/data/kind", "tufts"),
        ({"kind": "tufts", "level": 6}, "/data/level", "from 0 to 5"),
        ({"kind": "tufts", "level": 1.5}, "/data/level", "a whole number"),
        ({"kind": "tufts"}, "/data/level", "the step from 0 to 5"),
        ({"level": 3}, "/data/kind", "tufts"),
    ],
)
def test_an_observation_is_free_within_reason(data, pointer, says):
    found = faults_of(check_log, LogKind.OBSERVATION, NOON, data)
    assert list(found) == [pointer]
    assert says in found[pointer]


def test_times_ids_and_texts_of_a_log_entry_are_checked():
    naive = NOON.replace(tzinfo=None)
    found = faults_of(
        check_log, LogKind.TRIM, naive, {}, "\x07", "x" * 201, NOON.replace(year=1950), "ID!"
    )
    assert set(found) == {"/time", "/note", "/by", "/recorded", "/id"}


def test_the_registry_takes_nothing_that_is_not_allowed(registry):
    registry.put_tank(GOOD)
    with pytest.raises(InvalidInputError):
        registry.put_tank(replace(GOOD, energy="?"))
    with pytest.raises(InvalidInputError):
        registry.add_log("a", LogKind.KH_TEST, NOON, {})
    assert registry.tanks() == [GOOD]
    assert registry.log("a") == []
