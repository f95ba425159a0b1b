"""Sorted sets of numbers, without numpy's own functions for them.

``np.unique``, and so ``np.union1d`` and most calls of ``np.isin``, import masked arrays
when they are first called: 3 MB of a process's memory, and 40 ms on a small board. ``ruff`` refuses
them in what runs for months.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt

_Number = TypeVar("_Number", np.int64, np.intp, np.float64)
_Places = npt.NDArray[np.intp]
Whole = npt.NDArray[np.int64]


def union(first: Whole, second: Whole) -> Whole:
    """The distinct numbers of both, sorted."""
    return distinct(np.concatenate((first, second)))


def distinct(values: npt.NDArray[_Number]) -> npt.NDArray[_Number]:
    """The distinct numbers of (n,), sorted, none of them NaN."""
    ordered = np.sort(values)
    return np.asarray(ordered[_begins(ordered)])


def first_places(values: npt.NDArray[_Number]) -> tuple[npt.NDArray[_Number], _Places]:
    """The distinct numbers of (n,), sorted, and where each comes first."""
    order = np.argsort(values, kind="stable")
    ordered = values[order]
    begins = _begins(ordered)
    return ordered[begins], order[begins]


def numbered(values: npt.NDArray[_Number]) -> tuple[npt.NDArray[_Number], _Places]:
    """The distinct numbers of (n,), sorted, and for each value which of them it is."""
    order = np.argsort(values, kind="stable")
    ordered = values[order]
    begins = _begins(ordered)
    number = np.empty(len(values), np.intp)
    number[order] = np.cumsum(begins) - 1
    return ordered[begins], number


def among(values: npt.NDArray[_Number], others: npt.NDArray[_Number]) -> npt.NDArray[np.bool_]:
    """Whether each of (n,) is one of some other numbers (m,), none of them NaN."""
    if not len(others):
        return np.zeros(len(values), np.bool_)
    ordered = np.sort(others)
    at = np.minimum(np.searchsorted(ordered, values), len(ordered) - 1)
    return np.asarray(ordered[at] == values)


def _begins(ordered: npt.NDArray[_Number]) -> npt.NDArray[np.bool_]:
    """Whether a number of (n,) is another than the one before it."""
    begins = np.ones(len(ordered), np.bool_)
    begins[1:] = ordered[1:] != ordered[:-1]
    return begins
