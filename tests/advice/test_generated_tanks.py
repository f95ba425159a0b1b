"""Advice on generated tanks: never two ways at once, never without its cautions, never too much.

A hundred and fifty by default; ``LITTORAL_GENERATED_TANKS=3000`` tries that many.
"""

from __future__ import annotations

import itertools
import os
import re

from hypothesis import HealthCheck, given, settings

from service.advice.cautions import cautions_for
from service.advice.engine.catalogue import RULE_OF, evaluate
from service.advice.engine.conflicts import contradiction
from service.advice.engine.instruction import HOT_WATER, hazards_of
from service.advice.engine.levers import MORE_GAS
from service.advice.engine.practice import limit
from service.advice.engine.recommendation import Finding
from service.advice.engine.rule import Case
from service.advice.engine.work import Hazard, Who
from service.advice.tank_states import gas_beginning, gas_failed_lately, too_warm
from service.derive.models import TankView
from service.registry.models import Tank
from tests.advice.generated import views

KEEPERS_WORK = re.compile(r"needle valve|regulator|set the timer|the gas to come on", re.I)
WATER_WORDS = re.compile(r"chang(?:e|ing) \d+ (?:L|%)|of tap|tap water of", re.I)
AIM = re.compile(r"(?:Aim at|For) (\d+) °C")


@settings(
    max_examples=int(os.environ.get("LITTORAL_GENERATED_TANKS", "150")),
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(view=views())
def test_advice_on_any_tank_is_of_one_voice_and_safe(view: TankView) -> None:
    findings = evaluate(view)
    for one, other in itertools.combinations(findings, 2):
        assert contradiction(one, other) is None, (one.code, other.code)
    for one in findings:
        assert set(one.moves) <= set(RULE_OF[one.code].may_move), one.code
        _has_its_cautions(one, view.tank)
        _asks_nobody_for_the_keepers_work(one)
        _exceeds_no_step(one, view)
    _more_gas_only_where_it_may_be(findings, view)


def _has_its_cautions(one: Finding, tank: Tank) -> None:
    due = cautions_for((*one.hazards, *hazards_of(one.amounts)), tank)
    assert set(due) <= set(one.cautions), one.code
    words = f"{one.title} {one.action} {one.keeper_action}"
    if WATER_WORDS.search(words):
        assert set(cautions_for([Hazard.NEW_WATER], tank)) <= set(one.cautions), words
    if any(amount.name == HOT_WATER for amount in one.amounts):
        assert set(cautions_for([Hazard.HOT_WATER], tank)) <= set(one.cautions), words
    if re.search(r"cylinder|valve", words, re.I):
        assert set(cautions_for([Hazard.CO2], tank)) <= set(one.cautions), words


def _asks_nobody_for_the_keepers_work(one: Finding) -> None:
    """The colleague is asked for nothing that the sheet forbids."""
    if one.who is Who.ANYONE:
        asked = re.sub(r"(?i)(don't|do not|leave)[^.]*\.", "", one.action)
        assert not KEEPERS_WORK.search(asked), (one.code, one.action)


def _exceeds_no_step(one: Finding, view: TankView) -> None:
    amounts = {amount.name: amount.value for amount in one.amounts}
    tank, tolerable = view.tank, view.temperature.tolerable
    assert amounts.get("more gas flow", 0.0) <= 100 * limit(tank, "co2_step_share") + 1e-9
    assert amounts.get("gas earlier", 0.0) <= limit(tank, "gas_earlier_max_min") + 2.5
    for celsius in map(float, AIM.findall(one.action)):
        reading = view.temperature.reading
        step = limit(tank, "temperature_step_max_c")
        assert reading is not None
        inside = (tolerable.low_c or -99.0) - 0.5 <= celsius <= (tolerable.high_c or 99.0) + 0.5
        # a tank that is itself outside is brought back by no more than one step
        towards = abs(celsius - reading.value) <= step / 0.2 + 0.5
        assert inside or towards, (one.action, reading.value)


def _more_gas_only_where_it_may_be(findings: list[Finding], view: TankView) -> None:
    if not any(MORE_GAS in one.moves for one in findings):
        return
    case, lit = Case(view), view.co2_lit
    assert not too_warm(case) and not gas_failed_lately(case)
    assert not any(one.code == "co2-doubtful" for one in findings)
    assert lit is not None and lit.surely_below_share > 0
    begun = gas_beginning(case)
    assert begun is None or begun <= lit.start
