"""Sets of sorted numbers, beside Python's own sets and numpy's own functions."""

from __future__ import annotations

import numpy as np
import pytest

from service.science.numeric.sets import among, distinct, first_places, numbered, union

LISTS = [[], [3], [-5, -5], [1, 2, 9, 2, 3, 9, 9], [0, 0, 0, -1], [7, 1, 4, 1, 7]]


@pytest.mark.parametrize(
    ("first", "second"),
    [([], []), ([3], []), ([], [-5, -5]), ([1, 2, 9], [2, 3, 9, 9]), ([0], [0]), ([7, 1], [4])],
)
def test_union_is_that_of_sets(first, second):
    found = union(np.array(first, np.int64), np.array(second, np.int64))
    assert found.dtype == np.int64
    assert found.tolist() == sorted({*first, *second})


@pytest.mark.parametrize("kind", [np.int64, np.intp, np.float64])
@pytest.mark.parametrize("numbers", LISTS)
def test_they_are_those_of_numpy(numbers, kind):
    values = np.array(numbers, kind)
    expected, places = np.unique(values, return_index=True)
    _, number = np.unique(values, return_inverse=True)
    assert distinct(values).tolist() == expected.tolist()
    assert [one.tolist() for one in first_places(values)] == [expected.tolist(), places.tolist()]
    assert [one.tolist() for one in numbered(values)] == [expected.tolist(), number.tolist()]
    assert distinct(values).dtype == kind


@pytest.mark.parametrize("numbers", LISTS)
@pytest.mark.parametrize("others", LISTS)
def test_those_among_others_are_those_of_python(numbers, others):
    found = among(np.array(numbers, np.int64), np.array(others, np.int64))
    assert found.dtype == np.bool_
    assert found.tolist() == [one in others for one in numbers]
