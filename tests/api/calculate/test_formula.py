"""A row of the table of formulas: its fields, and where its refusals point."""

from __future__ import annotations

import pytest

from service.api.calculate.blueprint import view_of
from service.api.calculate.formula import Formula, given
from service.api.calculate.table import FORMULAS
from service.errors import InvalidInputError
from service.schemas.base import Items
from service.schemas.fields import Number
from service.schemas.quantities import Measure
from service.science.numeric.checks import OutOfRangeError


def formula_of(function):
    """A row with that function; its fields are invented."""
    return Formula(
        name="bath-salt",
        title="Salt of a bath",
        asks={"volume": Measure("L", required=True), "parts": Items(Number())},
        answers={"mass": Measure("g"), "heat": Measure("Cel", attribute="celsius")},
        example=given(volume="3 L"),
        function=function,
    )


def refusal_of(name):
    """The error of a view whose function refuses an argument of that name."""

    def refuse(**_):
        raise OutOfRangeError(name, -1.0, "a number from 0")

    with pytest.raises(InvalidInputError) as caught:
        view_of(formula_of(refuse))({})
    return caught.value


@pytest.mark.parametrize(
    ("name", "pointer"),
    [("volume_l", "/volume"), ("parts.1", "/parts/1")],
)
def test_refusal_points_at_the_field_that_became_the_argument(name, pointer):
    (fault,) = refusal_of(name).faults
    assert fault.pointer == pointer
    assert fault.detail == f"{pointer} is -1; allowed: a number from 0"


@pytest.mark.parametrize("name", ["level of Fe: chelated", "slope", "volume"])
def test_refusal_of_no_field_names_the_parameter(name):
    error = refusal_of(name)
    assert error.detail == f"{name} is -1; allowed: a number from 0"
    assert not error.faults


def test_a_defect_is_not_blamed_on_the_field():
    """Such as numpy's "operands could not be broadcast together"."""

    def broken(**_):
        raise ValueError("volume_l: operands could not be broadcast together")

    with pytest.raises(ValueError, match="broadcast"):
        view_of(formula_of(broken))({})


def test_a_quantity_is_the_parameter_of_its_name_and_unit():
    formula = formula_of(dict)
    question = formula.question().load({"volume": {"value": 2, "unit": "gal"}, "parts": [1]})
    assert question == {"volume_l": pytest.approx(7.571, abs=1e-3), "parts": [1.0]}
    answer = formula.answer().dump({"mass_g": 5.0, "celsius": 30.0})
    assert answer == {"mass": {"value": 5.0, "unit": "g"}, "heat": {"value": 30.0, "unit": "Cel"}}


def test_example_is_written_as_people_write_it():
    assert given(kh="4 dKH", salt="KNO3", ph=6.6, span="PT8H") == {
        "kh": {"value": 4, "unit": "dKH"},
        "salt": "KNO3",
        "ph": 6.6,
        "span": "PT8H",
    }


@pytest.mark.parametrize("formula", FORMULAS, ids=lambda one: one.name)
def test_every_example_is_answered_with_every_member(client, formula):
    response = client.post(f"/v1/calculate/{formula.name}", json=formula.example)
    assert response.status_code == 200, response.get_data(as_text=True)
    assert list(response.get_json()) == list(formula.answers)
