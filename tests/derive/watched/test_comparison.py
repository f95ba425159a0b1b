"""The days before a change against those after it, of invented values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any, cast

import numpy as np

from service.derive.watched.comparison import compare
from service.derive.watched.values import WATCHED
from service.science.numeric.before_after import Difference

CHANGED = date(2026, 3, 2)


def difference(values: Sequence[float], digits: int) -> Difference:
    """Of 21 days before and 14 after."""
    days = [CHANGED + timedelta(days=number) for number in range(-21, 15)]
    found = dict(zip(days, values, strict=True))
    watched = replace(WATCHED["dli"], digits=digits, of=lambda _: found)
    nothing = cast(Any, None)
    one = compare(watched, nothing, nothing, CHANGED, days[-1]).difference
    assert one is not None
    return one


def test_days_that_differ_show_how_well_the_difference_is_known() -> None:
    """Finer than a number is shown: what is shown is rounded at the end."""
    values = 3.2 + np.random.default_rng(1).normal(0.0, 0.003, 36)
    one = difference([*values], 2)
    assert 0.0015 < one.half_width < 0.004  # twice the standard error of the means is 0.002


def test_days_that_are_nearly_all_alike_do_not() -> None:
    ceiling = [100.0] * 36
    assert difference(ceiling, 0).half_width == 0.5
    ceiling[3] = 99.9
    one = difference(ceiling, 0)
    assert one.low <= one.step - 0.5 and one.step + 0.5 <= one.high
