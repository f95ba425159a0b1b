"""Precision and recall of the flags on series whose faults are known."""

from __future__ import annotations

from functools import cache

import pytest

from tests.bench.quality import scores
from tests.labelled_series import SIZES

#: Recall of readings by place; the figures of more seeds stand in docs/ingest.md.
LEAST_RECALL = {
    "temperature": {"river": 0.85, "tank": 0.95},
    "ph": {"river": 0.95, "tank": 0.95},
    "conductivity": {"river": 0.90, "tank": 0.95},
    "dissolved_oxygen": {"river": 0.95, "tank": 0.95},
}


@cache
def found():
    return scores(range(3))


@pytest.mark.parametrize("place", ["river", "tank"])
@pytest.mark.parametrize("quantity", SIZES)
def test_what_is_flagged_is_faulty_and_most_of_what_is_faulty_is_flagged(quantity, place):
    score = found()[quantity, place]
    assert score.faulty > 100
    assert score.precision >= 0.95
    assert score.recall >= LEAST_RECALL[quantity][place]
