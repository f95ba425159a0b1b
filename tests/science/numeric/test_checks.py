"""Checks of arguments: the error carries name, value and what is allowed as data."""

from __future__ import annotations

import copy
import math

import numpy as np
import pytest

from service.science.carbonate.co2 import estimate_co2
from service.science.numeric.checks import OutOfRangeError, as_floats, as_number, refuse_where
from service.science.water.carbonate import water_after_change


def refused(function, *arguments, **named):
    """The refusal that a call ends in."""
    with pytest.raises(OutOfRangeError) as caught:
        function(*arguments, **named)
    return caught.value


def test_first_wrong_element_is_the_value():
    error = refused(as_floats, "ph", [7.0, math.nan, 13.5], low=2, high=12)
    assert (error.name, error.value, error.allowed) == ("ph", 13.5, "2 to 12")
    assert type(error.value) is float
    assert str(error) == "ph is 13.5; allowed: 2 to 12"


@pytest.mark.parametrize(
    ("limits", "allowed"),
    [
        ({"low": 0.0, "unit": "cm"}, "a number from 0 cm"),
        ({"above": 0.0, "unit": "cm"}, "a number above 0 cm"),
        ({"above": 0.0, "high": 1.0}, "a number above 0 and up to 1"),
        ({"high": -2.0}, "a number up to -2"),
    ],
)
def test_limits_in_words(limits, allowed):
    assert refused(as_number, "x", -1.0, **limits).allowed == allowed


def test_a_name_may_hold_any_sign():
    error = refused(as_number, "level of Fe: chelated", -1, low=0, unit="mg/L")
    assert (error.name, error.value) == ("level of Fe: chelated", -1.0)


def test_value_just_beyond_a_limit_differs_from_it_in_the_message():
    assert str(refused(as_number, "x", 50.0000001, high=50)).startswith("x is 50.0000001;")


def test_limits_that_depend_on_other_arguments():
    error = refused(refuse_where, [False, True], "target_c", [1.0, 2.0], "up to hot water")
    assert (error.name, error.value, error.allowed) == ("target_c", 2.0, "up to hot water")


@pytest.mark.parametrize(
    ("call", "name", "value"),
    [
        (lambda: estimate_co2(6.6, 1.4, 24.0, conductivity_us_cm=9000), "conductivity_us_cm", 9e3),
        (
            lambda: water_after_change(
                6.6,
                1.4,
                24.0,
                new_ph=7,
                new_alkalinity_meq_l=1,
                new_temperature_c=20,
                fraction=0.5,
                gh_meq_l=1,
            ),
            "new_gh_meq_l",
            None,
        ),
    ],
)
def test_functions_of_the_science_refuse_with_data(call, name, value):
    error = refused(call)
    assert (error.name, error.value) == (name, value)


def test_long_values_are_cut_in_the_message_alone():
    error = refused(as_floats, "ph", ["acid"] * 100)
    assert len(str(error)) < 120
    assert len(error.value) == 100


def test_survives_a_copy():
    error = copy.copy(OutOfRangeError("ph", np.float64(1.0).item(), "2 to 12"))
    assert (error.name, error.value, error.allowed) == ("ph", 1.0, "2 to 12")
