"""Amounts and spans of time in words."""

from __future__ import annotations

import pytest

from service.advice.engine.recommendation import Amount
from service.advice.phrases import days, dose


@pytest.mark.parametrize(
    ("value", "text"), [(99.4, "99 ml"), (99.6, "100 ml"), (0.36, "0.36 ml"), (180.0, "180 ml")]
)
def test_a_dose_is_a_number_that_can_be_drawn(value: float, text: str) -> None:
    assert dose(Amount("macro", value, "mL")) == text


def test_days_are_counted_as_people_do() -> None:
    assert [days(0.2), days(1.4), days(12.0)] == ["1 day", "1 day", "12 days"]
