"""What advice keeps to on any tank at any moment: checks of scenarios and of generated tanks."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Sequence

from service.advice.cautions import cautions_for
from service.advice.engine.catalogue import RULE_OF
from service.advice.engine.conflicts import contradiction
from service.advice.engine.instruction import HOT_WATER, hazards_of
from service.advice.engine.levers import MORE_GAS
from service.advice.engine.practice import limit
from service.advice.engine.recommendation import Finding, Instruction, Recommendation, Severity
from service.advice.engine.rule import Case
from service.advice.engine.work import Hazard, Who
from service.advice.handover.care_plan import DAILY_CHECK
from service.advice.handover.sheet import TankSheet
from service.advice.tank_states import gas_beginning, gas_failed_lately, too_warm
from service.derive.models.tank_view import TankView
from service.registry.models.recommendations import State
from service.registry.models.tank import Tank
from service.science.water.hardness import dkh_from_meq_l
from tests.advice.reading_level import check_easy_to_read

KEEPERS_WORK = re.compile(
    r"needle valve|regulator|set (?:the|its) timer|timer to|CO2 (?:timer|to come on)"
    r"|half of the media|[Cc]alibrate|what the heater is set to",
    re.I,
)
"""Words of work that nobody but the tank keeper does. Our choice."""

WATER_WORDS = re.compile(r"chang(?:e|ing) \d+ (?:L|%)|of tap|tap water of", re.I)
AIM = re.compile(r"(?:[Aa]im at|For|[Ff]ill up with water of) (\d+) °C")


def check_advice(
    findings: Sequence[Finding], known: Sequence[Recommendation], view: TankView
) -> None:
    """What is found on a tank, and what is open after that.

    Args:
        known: recommendations after the evaluation, in any state.
    """
    for one in findings:
        assert set(one.moves) <= set(RULE_OF[one.code].may_move), one.code
        has_its_cautions(one, view.tank)
        asks_nobody_for_the_keepers_work(one)
        exceeds_no_step(one, view)
    more_gas_only_where_it_may_be(findings, view)
    open_ones = [one for one in known if one.state is State.OPEN]
    never_two_ways([one.finding for one in open_ones])
    for one in open_ones:
        what_is_over_says_so(one, view)
        check_easy_to_read(words_of(one.instruction))


def words_of(one: Instruction) -> list[str]:
    """What is to be read of an instruction, each text as a whole."""
    told = f"{one.title.rstrip('.')}. {one.action}"
    return [told, *(reason.text for reason in one.reasons), *one.cautions]


def what_is_over_says_so(one: Recommendation, view: TankView) -> None:
    """Nobody is sent to cool water that has cooled, whatever stood there a moment ago."""
    reading = view.temperature.reading
    if one.finding.code != "temperature-out" or reading is None:
        return
    inside = not view.temperature.tolerable.side_of(reading.value)
    far = abs(reading.value - (one.finding.evidence[0].threshold or 0.0)) > 0.5
    if inside and far:
        assert one.finding.severity <= Severity.ADVICE or one.instruction.title.startswith(
            "No longer seen"
        ), (reading.value, one.finding.title)


def never_two_ways(open_ones: Sequence[Finding]) -> None:
    for one, other in itertools.combinations(open_ones, 2):
        assert contradiction(one, other) is None, (one.code, other.code)


def has_its_cautions(one: Finding, tank: Tank) -> None:
    due = cautions_for((*one.hazards, *hazards_of(one.amounts)), tank)
    assert set(due) <= set(one.cautions), one.code
    words = f"{one.title} {one.action} {one.keeper_action}"
    if WATER_WORDS.search(words):
        assert set(cautions_for([Hazard.NEW_WATER], tank)) <= set(one.cautions), words
    if any(amount.name == HOT_WATER for amount in one.amounts):
        assert set(cautions_for([Hazard.HOT_WATER], tank)) <= set(one.cautions), words
    if re.search(r"cylinder|valve", words, re.I):
        assert set(cautions_for([Hazard.CO2], tank)) <= set(one.cautions), words


def asks_nobody_for_the_keepers_work(one: Finding | Instruction) -> None:
    """The colleague is asked for nothing that the sheet forbids."""
    if one.who is Who.ANYONE:
        asked = re.sub(r"(?i)(don't|do not|leave|never)[^.]*\.", "", one.action)
        assert not KEEPERS_WORK.search(asked), one


def exceeds_no_step(one: Finding, view: TankView) -> None:
    amounts = {amount.name: amount.value for amount in one.amounts}
    tank = view.tank
    assert amounts.get("more CO2 flow", 0.0) <= 100 * limit(tank, "co2_step_fraction") + 1e-9
    assert amounts.get("CO2 on earlier by", 0.0) <= limit(tank, "gas_earlier_max_min") + 2.5
    _moves_kh_by_no_more_than_a_day_may(one, amounts, view)
    if not any(amount.unit == "L" for amount in one.amounts):
        return
    tolerable, reading = view.temperature.tolerable, view.temperature.reading
    for celsius in map(float, AIM.findall(one.action)):
        step = limit(tank, "temperature_step_max_c")
        assert reading is not None
        inside = (tolerable.low_c or -99.0) - 0.5 <= celsius <= (tolerable.high_c or 99.0) + 0.5
        # a tank that is itself outside is brought back by no more than one step
        towards = abs(celsius - reading.value) <= step / 0.2 + 0.5
        assert inside or towards, (one.action, reading.value)


def _moves_kh_by_no_more_than_a_day_may(
    one: Finding, amounts: dict[str, float], view: TankView
) -> None:
    plan, present = view.tank.water_change, view.co2.kh
    known = plan.tap_kh_meq_l is not None and plan.target_kh_meq_l is None and present is not None
    if "fraction" not in amounts or not known or not view.tank.animals:
        return
    apart_dkh = float(dkh_from_meq_l(abs(plan.tap_kh_meq_l - present.meq_l)))
    moved_dkh = amounts["fraction"] / 100 * apart_dkh
    assert moved_dkh <= 1.05 * limit(view.tank, "kh_step_max_dkh") + 1e-9, one.title


def more_gas_only_where_it_may_be(findings: Sequence[Finding], view: TankView) -> None:
    if not any(MORE_GAS in one.moves for one in findings):
        return
    case, lit = Case(view), view.co2_lit
    assert not too_warm(case) and not gas_failed_lately(case)
    assert not any(one.code == "co2-doubtful" for one in findings)
    assert lit is not None and lit.surely_below_share > 0
    begun = gas_beginning(case)
    assert begun is None or begun <= lit.start


def check_sheet(page: TankSheet) -> None:
    """One daily look, one water change a day, each with its cautions, none of the keeper's work."""
    check_easy_to_read([*page.state, *page.leave_alone])
    for each in (*page.now, *page.tasks, *page.emergencies, *page.waiting):
        check_easy_to_read(words_of(each))
    for each in (*page.now, *page.tasks, *page.emergencies):
        assert each.who is Who.ANYONE
        asks_nobody_for_the_keepers_work(each)
        assert set(page.safety.numbers(each)) <= set(range(1, len(page.cautions) + 1))
    looks = Counter(each.day for each in page.tasks if each.code == DAILY_CHECK)
    assert set(looks.values()) <= {1}
    changes = Counter(each.day for each in page.tasks if each.code.startswith("water-change"))
    assert set(changes.values()) <= {1}, changes
    asked = {(each.code, each.subject) for each in page.tasks}
    assert not any((each.finding.code, each.finding.subject) in asked for each in page.open)
