"""Every rule at its limit with noise: it opens once and is published seldom.

What a rule judges jitters around the threshold from one evaluation to the next, every two minutes
for a day, as wide as sensors that work may.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from service.advice.engine.catalogue import RULE_OF, RULES
from service.advice.engine.history.change_events import change_between
from service.advice.engine.history.lifecycle import advance, may_last
from service.advice.engine.recommendation import Recommendation
from service.advice.engine.rule import Case
from service.registry.models.recommendations import State
from tests.advice.cases import MINUTE
from tests.advice.conditions import active_conditions
from tests.advice.rules.at_the_limit import co2, heat, light, sensors
from tests.advice.rules.at_the_limit.views import Walk
from tests.derive.pieces import NOON

STEP = 2 * MINUTE
STEPS = 720
MOST_OPENINGS, MOST_PUBLISHED = 2, 4
"""In a day; an opening is one of the publications, and so is each clearing."""

BY_THE_LOG = {
    "shared-range", "no-advice", "sensor-clock", "light-settling", "water-change-after-work",
    "water-change-due", "dose-due", "dose-skipped", "dose-doubled", "dose-not-needed",
    "prefilter-due", "filter-due", "kh-test-due", "calibration-due", "trim-due",
    "sensor-stuck", "probe-out", "animals-gasping", "animals-lost", "leaves-hungry",
    "leaves-melting", "hydra", "plant-at-surface", "plant-covered",
}  # fmt: skip
"""Rules that judge the log, the plan or what the ingester decided: nothing in them jitters."""

WALKS: dict[str, tuple[Walk, ...]] = {**co2.WALKS, **heat.WALKS, **light.WALKS, **sensors.WALKS}


def walked(code: str, walk: Walk, seed: int = 1) -> Counter[str]:
    """How often a rule's recommendations were opened, changed and cleared in a day."""
    rng = np.random.default_rng(seed)
    rule = RULE_OF[code]
    known: list[Recommendation] = []
    cleared: list[Recommendation] = []
    counted: Counter[str] = Counter()
    for step in range(STEPS):
        now = NOON + step * STEP
        view = walk(lambda: float(rng.standard_normal()))
        findings = list(rule.findings(Case(view, active_conditions(known))))
        change = change_between(known, advance(known, "reed", findings, now, (), cleared))
        counted.update(event.kind.value for event in change.events)
        known = [one for one in change.after if may_last(one)]
        cleared += [one for one in change.after if one.state is State.CLEARED]
    return counted


def walks() -> Iterator[Any]:
    for code, some in WALKS.items():
        for walk in some:
            yield pytest.param(code, walk, id=f"{code}-{walk.__name__}")


@pytest.mark.parametrize(("code", "walk"), list(walks()))
def test_a_rule_at_its_limit_opens_once_and_is_published_seldom(code: str, walk: Walk) -> None:
    counted = walked(code, walk)
    assert counted["opened"] >= 1, "the walk does not reach the limit"
    assert counted["opened"] <= MOST_OPENINGS, counted
    assert counted.total() <= MOST_PUBLISHED, counted


def test_every_rule_is_walked_or_judges_nothing_that_jitters() -> None:
    codes = {rule.code for rule in RULES}
    assert codes - set(WALKS) - BY_THE_LOG - {"sensor-implausible"} == set()
