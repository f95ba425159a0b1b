"""Errors carry what was given and what is allowed as data, not only in a sentence."""

from datetime import timedelta

import marshmallow as ma
import pytest

from service.errors import FieldFault, InvalidInputError, Refusal, UnknownUnitError, shown
from service.schemas.base import Schema
from service.schemas.messages import error_of_messages
from service.schemas.quantities import Measure
from service.schemas.times import SpanOf


class WaterSchema(Schema):
    """Invented."""

    depth = Measure("cm", above=0, high=60)


def error_for(body):
    with pytest.raises(ma.ValidationError) as caught:
        WaterSchema().load(body)
    return error_of_messages(caught.value.messages)


def test_a_refused_value_is_data_beside_its_sentence():
    (fault,) = error_for({"depth": {"value": "deep", "unit": "cm"}}).faults
    assert fault.pointer == "/depth/value"
    assert (fault.value, fault.allowed) == ("deep", "a number")
    assert fault.detail == "/depth/value is 'deep'; allowed: a number"


def test_a_quantity_outside_its_limits_is_told_with_its_unit():
    (fault,) = error_for({"depth": {"value": 30, "unit": "in"}}).faults
    assert (fault.value, fault.allowed) == ("30 in", "above 0 and up to 60 cm")


def test_only_wrong_units_make_an_error_of_units():
    assert isinstance(error_for({"depth": {"value": 1, "unit": "L"}}), UnknownUnitError)
    assert not isinstance(error_for({"depth": {"value": "x", "unit": "cm"}}), UnknownUnitError)


def test_null_is_refused_with_what_is_allowed():
    (fault,) = error_for({"depth": None}).faults
    assert fault.value is None
    assert "cm" in fault.allowed
    assert fault.detail.startswith("/depth is null; ")


def test_what_json_and_toml_call_otherwise_than_python_is_shown_as_they_write_it():
    assert [shown(one) for one in (None, True, False)] == ["null", "true", "false"]
    assert shown({"a": None, "b": [True, "x", 1]}) == "{'a': null, 'b': [true, 'x', 1]}"


def test_a_fault_can_be_given_another_name_without_reading_its_sentence():
    fault = FieldFault.of("/x is y", Refusal("a is b", "c is d"))
    moved = fault.renamed("/kh", "KH")
    assert moved == FieldFault.of("/kh", Refusal("a is b", "c is d"), "KH")
    assert moved.detail == "KH is 'a is b'; allowed: c is d"


def test_an_error_of_many_faults_repeats_three_and_counts_the_rest():
    faults = [FieldFault.of(f"/{n}", Refusal(n, "less")) for n in range(60)]
    error = InvalidInputError.of(faults)
    assert error.detail.endswith("; and 57 more")
    assert len(error.faults) == 50


@pytest.mark.parametrize(
    ("field", "good", "bad", "says"),
    [
        (Measure("cm", above=0, high=60), 60, 61, "above 0 and up to 60 cm"),
        (Measure("L", low=0, high=1e6), 0, -1, "from 0 to 1000000 L"),
        (SpanOf(timedelta(hours=1), longest=timedelta(days=1)), 24.0, 25.0, "up to 24 h"),
        (SpanOf(timedelta(days=1)), 1e-3, 0, "above 0 d"),
    ],
)
def test_limits_hold_for_the_program_as_for_json(field, good, bad, says):
    field.check(good)
    for value in (bad, float("nan"), True, "1", None):
        with pytest.raises(ma.ValidationError, match=says):
            field.check(value)
