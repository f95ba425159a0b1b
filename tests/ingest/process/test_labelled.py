"""Precision and recall of the flags on series whose faults are known."""

from __future__ import annotations

from functools import cache

import pytest

from tests.bench.quality import held_out_scores, scores
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


#: Recall of readings by kind of fault that the flags were not tuned on: what they find of it, less
#: a margin for the seed. What returns gradually or creeps away is mostly missed.
LEAST_HELD_OUT_RECALL = {
    "bubble": 0.15,
    "dry": 0.28,
    "loose": 0.9,
    "burst": 0.5,
    "no-answer": 0.85,
    "gap": 0.85,
}


@cache
def held_out():
    return held_out_scores(range(1))


@pytest.mark.parametrize("quantity", SIZES)
def test_on_waters_and_faults_that_were_held_out_what_is_flagged_is_faulty(quantity):
    score = held_out()[0][quantity]
    assert score.faulty > 100
    assert score.precision >= 0.95
    assert score.recall >= 0.5


@pytest.mark.parametrize("kind", LEAST_HELD_OUT_RECALL)
def test_kinds_of_fault_that_were_held_out_are_found_as_docs_say(kind):
    score = held_out()[1][kind]
    assert score.precision >= 0.93
    assert score.recall >= LEAST_HELD_OUT_RECALL[kind]
