"""Union of sorted numbers, beside Python's own sets."""

from __future__ import annotations

import numpy as np
import pytest

from service.science.numeric.sets import union


@pytest.mark.parametrize(
    ("first", "second"),
    [([], []), ([3], []), ([], [-5, -5]), ([1, 2, 9], [2, 3, 9, 9]), ([0], [0]), ([7, 1], [4])],
)
def test_it_is_that_of_sets(first, second):
    found = union(np.array(first, np.int64), np.array(second, np.int64))
    assert found.dtype == np.int64
    assert found.tolist() == sorted({*first, *second})
