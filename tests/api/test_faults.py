"""From a refusal of the science to the field of the body that it is about."""

from __future__ import annotations

import pytest

from service.api.http.faults import refusals
from service.errors import InvalidInputError
from service.science.numeric.checks import as_number


def test_refusal_points_at_its_field_whatever_its_name_holds():
    name = "level of Fe: chelated"
    with pytest.raises(InvalidInputError) as caught, refusals({name: "/levels/0"}):
        as_number(name, -1, low=0, unit="mg/L")
    (fault,) = caught.value.faults
    assert fault.pointer == "/levels/0"
    assert fault.detail == "/levels/0 is -1.0; allowed: a number from 0 mg/L"


def test_refusal_of_no_known_field_names_the_parameter():
    with (
        pytest.raises(InvalidInputError, match="ph is 13; allowed: 2 to 12") as caught,
        refusals({}),
    ):
        as_number("ph", 13, low=2, high=12)
    assert not caught.value.faults


def test_a_defect_is_not_blamed_on_the_field():
    """Such as numpy's "operands could not be broadcast together"."""
    with pytest.raises(ValueError, match="broadcast"), refusals({"ph": "/ph"}):
        raise ValueError("ph: operands could not be broadcast together")
