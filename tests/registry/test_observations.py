"""The table of what can be observed on a scale."""

from __future__ import annotations

import pytest

from service.advice.handover.glossary import words_in
from service.registry.fields.log.kinds import KINDS
from service.registry.log.observations import HIGHEST, OBSERVATIONS, observed
from service.registry.models.log import LogKind


def test_each_kind_has_six_steps_that_differ() -> None:
    for one in OBSERVATIONS.values():
        assert len(one.steps) == len(set(one.steps)) == HIGHEST + 1, one.code
        assert all(step == step.strip() and not step.endswith(".") for step in one.steps)
        assert one.steps[0].startswith("no"), "0 says that somebody looked and there is none"
    titles = [one.title for one in OBSERVATIONS.values()]
    assert len(set(titles)) == len(titles)


def test_no_step_needs_a_word_of_the_trade() -> None:
    steps = [step for one in OBSERVATIONS.values() for step in (one.title, *one.steps)]
    assert [one.term for one in words_in(steps)] == ["Hydra"], "its title says what it is"


def test_the_schema_of_the_log_follows_the_table() -> None:
    fields = KINDS[LogKind.OBSERVATION].fields
    assert fields["kind"].words == tuple(OBSERVATIONS)
    assert (fields["level"].low, fields["level"].high) == (0, HIGHEST)


@pytest.mark.parametrize(
    ("data", "text"),
    [
        ({"kind": "losses", "level": 1}, "Losses 1: one found dead or missing"),
        ({"snails": 4}, None),
        ({"done": "Trim the stems"}, None),
    ],
)
def test_what_data_say_on_a_scale(data, text) -> None:
    seen = observed(data)
    assert (None if seen is None else seen.text) == text
