"""What a person writes becomes the JSON that a field reads."""

import marshmallow as ma
import pytest

from service.schemas.entry import json_of, label_of, units_of
from service.schemas.fields import Choice, Number, Text, Whole, YesNo
from service.schemas.quantities import Fraction, Measure, carbonate_hardness, general_hardness


@pytest.mark.parametrize(
    ("field", "text", "unit", "json"),
    [
        (Measure("L"), "40", "", {"value": 40.0, "unit": "L"}),
        (Measure("L"), "40", "gal", {"value": 40.0, "unit": "gal"}),
        (Measure("L"), "40 gal", "L", {"value": 40.0, "unit": "gal"}),
        (carbonate_hardness(""), "4,5", "", {"value": 4.5, "unit": "dKH"}),
        (general_hardness(""), " 7 ", "", {"value": 7.0, "unit": "dGH"}),
        (Fraction(), "35", "", {"value": 35.0, "unit": "%"}),
        (Fraction(), "0.5 %", "", {"value": 0.5, "unit": "%"}),
        (Fraction(), "0.5", "%", {"value": 0.5, "unit": "%"}),
        (Number(), "6,6", "", 6.6),
        (Whole(low=-9, high=9), "-3", "", -3),
        (Whole(low=-9, high=9), "2.5", "", 2.5),
        (YesNo(), "Yes", "", True),
        (Text(), " two words ", "", "two words"),
        (Choice(words=["high", "low"]), "low", "", "low"),
    ],
)
def test_text_becomes_json(field, text, unit, json):
    found = json_of(field, text, unit)
    assert found == json
    assert type(found) is type(json)


@pytest.mark.parametrize(
    ("field", "text", "example"),
    [
        (carbonate_hardness(""), "hard", "4.5 dKH"),
        (Number(), "6.6 pH", "4.5"),
        (Number(), "", "4.5"),
        # half of it, or half a per cent? Nobody is asked to guess.
        (Fraction(), "0.5", "50 % or 0.5 %"),
        (Fraction(), "1", "50 % or 0.5 %"),
    ],
)
def test_what_is_no_number_or_more_than_one_is_refused_with_an_example(field, text, example):
    with pytest.raises(ma.ValidationError) as caught:
        json_of(field, text)
    (message,) = caught.value.messages
    assert message.value == text
    assert message.allowed.endswith(example)


def test_units_people_use_come_first_and_are_all_read():
    for field in (
        Measure("Cel"),
        Measure("L"),
        Measure("cm"),
        carbonate_hardness(""),
        general_hardness(""),
    ):
        for unit in units_of(field):
            field.deserialize({"value": 10, "unit": unit})
    assert units_of(carbonate_hardness(""))[0] == "dKH"
    assert units_of(Text()) == ()


def test_a_label_is_the_fields_own_or_made_of_its_name():
    assert label_of("fill_height", Measure("cm")) == "Fill height"
    assert label_of("kh", carbonate_hardness("", label="KH")) == "KH"
