"""The form for the log asks for the fields of the table, and its data are the API's."""

import pytest

from service.errors import InvalidInputError
from service.pages.log.calibration import point_inputs
from service.pages.log.fields import AMOUNT, data_of, input_at, inputs_of
from service.pages.log.form import log_form
from service.pages.observe import OBSERVED
from service.registry.fields.log.kinds import KINDS
from service.registry.models.log import LogKind
from service.registry.models.plans import DosePlan, WaterChangePlan
from service.registry.models.tank import Stock, Tank

TANK = Tank(
    "reedbed",
    "Reedbed",
    net_volume_l=120.0,
    animals=(Stock("Tanichthys albonubes", 12),),
    water_change=WaterChangePlan(fraction=0.35),
    doses=(DosePlan("micro", 3.0),),
    sensors={"ph": "glass-1"},
)


@pytest.mark.parametrize("kind", list(LogKind))
def test_every_field_of_a_kind_is_asked_for_once(kind):
    schema = KINDS[kind]
    asked = [name for one in inputs_of(kind, TANK) for name in dict.fromkeys(one.fields.values())]
    expected = list(schema.load_fields if schema.asked is None else schema.asked)
    if kind is LogKind.CALIBRATION:  # and what its points are made of
        expected += [one.name for one in point_inputs()]
    assert sorted(asked) == sorted(expected)


@pytest.mark.parametrize(
    ("kind", "given", "data"),
    [
        ("water-change", {AMOUNT: "35"}, {"fraction": 0.35}),
        ("water-change", {AMOUNT: "30", "amount_unit": "L"}, {"fraction": 0.25}),
        (
            "water-change",
            {AMOUNT: "50 %", "temperature": "77", "temperature_unit": "[degF]"},
            {"fraction": 0.5, "temperature_c": 25.0},
        ),
        ("dose", {"name": "x", AMOUNT: "2,5", "amount_unit": "mL"}, {"name": "x", "ml": 2.5}),
        ("dose", {"name": "x", AMOUNT: "0.4", "amount_unit": "g"}, {"name": "x", "g": 0.4}),
        ("kh-test", {"kh": "1.5", "kh_unit": "meq/L"}, {"kh_meq_l": 1.5}),
        ("trim", {"fraction": "40", "height": "12"}, {"fraction": 0.4, "height_cm": 12.0}),
        ("stocking", {"species": "x", "count": "-2"}, {"species": "x", "count": -2}),
        ("calibration", {"quantity": "ph"}, {"quantity": "ph"}),
        (
            "calibration",
            {"quantity": "ph", "first_true": "7", "first_shown": "6,95"},
            {"quantity": "ph", "points": [{"reading": 6.95, "reference": 7.0}]},
        ),
        (
            "calibration",
            {
                "quantity": "ph",
                "sensor": "glass-1",
                "first_true": "7",
                "first_shown": "2.1",
                "first_shown_unit": "mV",
                "second_true": "4.01",
                "second_shown": "178.9",
                "buffers_temperature": "22",
            },
            {
                "quantity": "ph",
                "sensor": "glass-1",
                "points": [
                    {"ph": 7.0, "millivolts": 2.1, "temperature_c": 22.0},
                    {"ph": 4.01, "millivolts": 178.9, "temperature_c": 22.0},
                ],
            },
        ),
        ("observation", {}, {}),
        ("observation", {OBSERVED: "threads", "level": "2"}, {"kind": "threads", "level": 2}),
    ],
)
def test_what_was_written_becomes_stored_data(kind, given, data):
    found = data_of(LogKind(kind), TANK, given)
    assert found == {
        name: pytest.approx(value) if isinstance(value, float) else value
        for name, value in data.items()
    }


@pytest.mark.parametrize(
    ("kind", "given", "name", "says"),
    [
        ("water-change", {AMOUNT: "350"}, AMOUNT, "was changed is '350 %'; allowed: above 0"),
        ("water-change", {AMOUNT: "much"}, AMOUNT, "'much'; allowed: a number such as 4"),
        ("water-change", {AMOUNT: "500", "amount_unit": "L"}, AMOUNT, "to the net volume, 120 L"),
        ("water-change", {AMOUNT: "5", "amount_unit": "t"}, AMOUNT, "'t'; allowed: %, L, gal"),
        ("water-change", {}, AMOUNT, "How much was changed is missing; allowed: this or volume"),
        ("kh-test", {"kh": "1.5", "kh_unit": "g"}, "kh", "'g'; allowed: dKH, meq/L, mmol/L, °fH"),
        ("kh-test", {"kh": "200"}, "kh", "'200 dKH'; allowed: from 0 to 20 meq/L (56.1 dKH)"),
        ("stocking", {"species": "Danio rerio", "count": "0"}, "count", "How many is 0; allowed"),
        ("stocking", {"count": "2"}, "species", "is missing"),
        ("observation", {OBSERVED: "threads"}, "level", "How much, 0 to 5 is missing; allowed"),
        ("calibration", {"first_true": "7"}, "first_shown", "in the first is missing; allowed"),
        ("calibration", {"first_true": "seven", "first_shown": "7"}, "first_true", "'seven'"),
    ],
)
def test_a_fault_is_shown_at_its_input_with_the_words_of_its_label(kind, given, name, says):
    with pytest.raises(InvalidInputError) as caught:
        data_of(LogKind(kind), TANK, given)
    form = log_form(TANK, LogKind(kind), given, caught.value, "me")
    assert list(form.faults) == [name]
    assert says in form.faults[name]
    assert form.other_faults == ()
    (chosen,) = (one for one in form.kinds if one.chosen)
    shown = {one.name: one.start for one in (*chosen.first, *chosen.rest)}
    assert given.items() <= (shown | {k: v for k, v in given.items() if "_unit" in k}).items()


def test_plans_and_stock_of_the_tank_are_suggested():
    starts = {
        kind: {one.name: (one.start, one.offers) for one in inputs_of(kind, TANK)}
        for kind in LogKind
    }
    assert starts[LogKind.WATER_CHANGE][AMOUNT] == ("35", ())
    assert starts[LogKind.DOSE]["name"] == ("micro", ("micro",))
    assert starts[LogKind.STOCKING]["species"][1] == ("Tanichthys albonubes",)
    assert starts[LogKind.CALIBRATION]["sensor"] == ("glass-1", ("glass-1",))
    assert input_at(inputs_of(LogKind.DOSE, TANK), "/data/mass/value").name == AMOUNT


@pytest.mark.parametrize(
    ("kind", "first"),
    [
        ("water-change", [AMOUNT]),
        ("dose", ["name", AMOUNT]),
        ("kh-test", ["kh"]),
        ("nutrient-test", ["no3", "po4", "k", "fe"]),
        ("stocking", ["species", "count"]),
        ("trim", ["fraction"]),
        ("filter-clean", ["part"]),
        ("cylinder", ["content"]),
    ],
)
def test_what_and_how_much_are_asked_first_and_the_rest_is_folded(kind, first):
    form = log_form(TANK, LogKind(kind), {}, None, "me")
    (chosen,) = (one for one in form.kinds if one.chosen)
    assert [one.name for one in chosen.first] == first
    assert not form.unfolded
    assert {one.name for one in chosen.rest}.isdisjoint(first)


def test_what_is_folded_opens_where_something_in_it_was_written_or_is_wrong():
    kind = LogKind.WATER_CHANGE
    assert log_form(TANK, kind, {AMOUNT: "30", "note": "by eye"}, None, "me").unfolded
    assert log_form(TANK, kind, {AMOUNT: "30", "kh": "3"}, None, "me").unfolded
    assert not log_form(TANK, kind, {AMOUNT: "30"}, None, "me").unfolded
    assert log_form(TANK, LogKind.CALIBRATION, {}, None, "me").unfolded
    with pytest.raises(InvalidInputError) as caught:
        data_of(kind, TANK, {AMOUNT: "30", "temperature": "hot"})
    assert log_form(TANK, kind, {}, caught.value, "me").unfolded
