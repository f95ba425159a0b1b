"""Rule `co2-low`: CO2 is below the plants' target while the lamp is on.

Judges the lit hours of the last 24 h. Clears when less than half the minutes that raise it are
left, six hours after it was last found.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.adjusting import adjustment
from service.advice.engine.levers import MORE_GAS
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import percent, sensor_source, span
from service.advice.rules.co2.doubtful import to_settle
from service.advice.rules.co2.gas_out import no_gas
from service.advice.rules.co2.last_day import target_to_come
from service.advice.tank_states import gas_failed_lately, gas_just_changed, too_warm
from service.derive.models.co2_days import Co2Lit
from service.registry.models.log import Lever

CODE = "co2-low"
FAR_SHARE = 0.2
RECOVERED_SHARE = 0.25
SURE_SHARE = 0.5
"""Share of the low minutes in which CO2 was surely low, its whole interval below the target, from
which on the valve is opened. Our choice."""
LITTLE_LIGHT = timedelta()
"""Even the first minutes of light without any gas are no reason to open the valve."""


def judge(case: Case) -> Iterator[Finding]:
    """Judge the lit hours of the last 24 h, so that a visit in the morning sees them.

    Time below at the very beginning belongs to ``gas-late``; a short rest before lights-off is
    what comes of closing the gas early, which is common practice.
    """
    lit = case.view.co2_lit
    if lit is None or not case.tank.co2_injected or no_gas(case, LITTLE_LIGHT):
        return
    least = case.limit("co2_low_lit_min")
    low_min = minutes_too_low(case, lit)
    if low_min < case.eased(least, 0.5, CODE):
        return
    if not case.active(CODE) and case.active("gas-late") and target_to_come(case):
        return  # as late as the day before: ``gas-late`` has said so
    if not case.active(CODE) and lit.last_hour_below_share < RECOVERED_SHARE:
        return  # whatever it was is over: don't open the gas further on account of it
    co2, tank = case.view.co2, case.tank
    target = f"{co2.target_low_mg_l:.0f} to {co2.target_high_mg_l:.0f} mg/L"
    unsure = _not_sure(lit, low_min)
    doubt = to_settle(case) or unsure
    step = 0.0 if doubt else flow_step(case, lit)
    yield Finding(
        code=CODE,
        severity=Severity.INFO if unsure else severity(case, lit, low_min, doubt=bool(doubt)),
        title=f"CO2 is {lit.shortfall_mg_l:.0f} mg/L short while the lamp is on",
        action=(
            f"Check that CO2 is flowing and the diffuser is clean. {_valve(doubt, step)} CO2 was "
            f"below its target of {target} in {span(low_min)} of {span(lit.known_min)} of light, "
            f"by {lit.shortfall_mg_l:.0f} mg/L on average."
        ),
        evidence=(
            Evidence(
                f"on average below {co2.target_low_mg_l:.0f} mg/L while below it",
                "co2-shortfall",
                lit.shortfall_mg_l,
                "mg/L",
                time=lit.end,
                source=sensor_source(co2.ph),
            ),
            Evidence(
                "lit minutes below target in the last 24 h",
                "co2-below-minutes",
                low_min,
                "min",
                least,
                lit.end,
                COMMON_PRACTICE,
            ),
            Evidence("lowest CO2 while lit", "co2", lit.lowest_mg_l, "mg/L", co2.target_low_mg_l),
        ),
        amounts=(
            Amount("CO2 missing", lit.shortfall_mg_l, "mg/L"),
            Amount("time below target while lit", low_min, "min"),
            *(() if doubt else (Amount("more CO2 flow", 100 * step, "%"),)),
        ),
        hazards=(
            Hazard.CO2,
            *((Hazard.CHEMICALS,) if doubt else ()),
            *((Hazard.ANIMALS,) if tank.animals else ()),
        ),
        who=Who.KEEPER,
        confidence=0.5 + 0.45 * lit.surely_below_share,
        since=lit.start,
        log=None if doubt else adjustment(Lever.GAS_FLOW, f"{percent(step)} more"),
        moves=() if doubt else (MORE_GAS,),
        refuses=(MORE_GAS,) if doubt else (),
    )


def _valve(doubt: str, step: float) -> str:
    """What to do with the needle valve; nothing while the estimate itself is in doubt."""
    if doubt:
        return (
            "Leave the needle valve as it is until it is settled whether CO2 is as low as "
            f"it seems. {doubt}."
        )
    return (
        f"Then open the needle valve by about {percent(step)} of the present flow. Judge it the "
        "next day at the same hour before you go on."
    )


def _not_sure(lit: Co2Lit, low_min: float) -> str:
    """What would make it surer, where the target lies within the interval of the estimate."""
    sure_min = lit.surely_below_share * lit.known_min
    if sure_min >= SURE_SHARE * low_min:
        return ""
    return "The target lies within the error of the estimate. To narrow it, test KH twice more"


def severity(case: Case, lit: Co2Lit, low_min: float, *, doubt: bool) -> Severity:
    """A warning where most of the light lacks much of the CO2 it is meant to have, surely."""
    if doubt:
        return Severity.ADVICE
    far = lit.shortfall_mg_l > FAR_SHARE * case.view.co2.target_low_mg_l
    return Severity.WARNING if far and low_min > lit.known_min / 2 else Severity.ADVICE


def minutes_too_low(case: Case, lit: Co2Lit) -> float:
    """Lit minutes below target that neither a late start nor an early end explains."""
    tail = min(lit.tail_below_min, case.limit("co2_low_tail_min"))
    return max(lit.below_min - lit.early_below_min - tail, 0.0)


def flow_step(case: Case, lit: Co2Lit) -> float:
    """Share by which to raise the flow: what is missing at the best hour, in bounded steps.

    At rest CO2 above the air's level is in proportion to the flow.
    """
    co2 = case.view.co2
    aim = (co2.target_low_mg_l + co2.target_high_mg_l) / 2
    wanted = aim / max(lit.highest_mg_l, 1.0) - 1.0
    return min(max(wanted, 0.05), case.limit("co2_step_fraction"))


RULE = Rule(
    CODE,
    "CO2 below the plants' target while the lamp is on, over the last 24 h",
    judge,
    timedelta(hours=6),
    timedelta(days=2),
    may_move=(MORE_GAS,),
    silent_while=(too_warm, gas_failed_lately, gas_just_changed),
)
