"""Rule `co2-high`: CO2 is above what the animals tolerate, by day or night.

Raised when CO2 was above the ceiling for a while, now or in all over 24 h. Clears when it is
below and the minutes above it in the last 24 h are few.
"""

from __future__ import annotations

from collections.abc import Iterator

from service.advice.adjusting import adjustment
from service.advice.closing import close_co2
from service.advice.engine.levers import LESS_GAS
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import capitalised, day_clock, percent, sensor_source, span
from service.advice.tank_states import gas_beginning
from service.derive.models.co2_days import Co2High
from service.derive.thresholds import derived_limit
from service.registry.models.log import Lever

CODE = "co2-high"


def judge(case: Case) -> Iterator[Finding]:
    """One finding while CO2 is above the ceiling, and for a day after a longer time above it."""
    high = case.view.co2_high
    if high is None or not is_high(case):
        return
    ongoing = _ongoing(case, high)
    adjusted = gas_beginning(case)
    if not ongoing and adjusted and high.last_at and adjusted > high.last_at:
        return  # something was done about it: not to be done twice
    less = flow_step(case, high)
    yield Finding(
        code=CODE,
        severity=severity(case, high, ongoing),
        title=(
            f"CO2 is above {high.ceiling_mg_l:.0f} mg/L"
            if ongoing
            else f"CO2 rose to {high.peak_mg_l:.0f} mg/L in the last day"
        ),
        action=_action(case, high, ongoing),
        keeper_action=f"{_valve(less)}{_calibrate(high)}",
        evidence=(
            Evidence(
                f"highest CO2, {day_clock(case.tank, high.peak_at, case.now)}",
                "co2",
                high.peak_mg_l,
                "mg/L",
                high.ceiling_mg_l,
                high.peak_at,
                sensor_source(case.view.co2.ph),
            ),
            Evidence(
                _whose(case, high),
                "co2-ceiling",
                high.ceiling_mg_l,
                "mg/L",
                source=_ceiling_source(case),
            ),
            Evidence("minutes above it in the last 24 h", "co2-above-minutes", high.minutes, "min"),
        ),
        amounts=(
            Amount("time above", high.minutes, "min"),
            Amount("CO2 too much", high.peak_mg_l - high.ceiling_mg_l, "mg/L"),
            Amount("less CO2 flow", 100 * less, "%"),
        ),
        due=case.now if ongoing and case.tank.animals else None,
        hazards=(
            (Hazard.ANIMALS, Hazard.CO2, Hazard.MAINS) if case.tank.animals else (Hazard.CO2,)
        ),
        confidence=high.probability_above(high.ceiling_mg_l),
        since=high.first_at,
        log=adjustment(Lever.GAS_FLOW, f"{percent(less)} less"),
        moves=(LESS_GAS,),
        who=Who.ANYONE if case.tank.animals else Who.KEEPER,
    )


def is_high(case: Case) -> bool:
    """Whether CO2 is above the ceiling for long enough to be reported."""
    high = case.view.co2_high
    return high is not None and (
        _ongoing(case, high)
        or high.minutes >= case.eased(case.limit("co2_high_day_min"), 0.5, CODE)
    )


def _ongoing(case: Case, high: Co2High) -> bool:
    held = high.ongoing_min >= case.eased(case.limit("co2_high_hold_min"), 0.0, CODE)
    return held and high.ongoing_min > 0


def severity(case: Case, high: Co2High, ongoing: bool) -> Severity:
    """Urgent only for animals, while it lasts, where it is probable or the value is far above.

    So a wide interval alone, such as that of a probe not calibrated for long, plays nothing down. A
    ceiling that is lowered for new animals is a precaution: urgent is what they tolerate later.
    """
    if not case.tank.animals:
        return Severity.ADVICE
    fraction = derived_limit(case.tank, "newcomer_fraction") if high.newcomers else 1.0
    tolerated_mg_l = high.ceiling_mg_l / fraction
    probable = high.probability_above(tolerated_mg_l) >= case.limit("co2_high_probability")
    far = high.peak_mg_l >= case.limit("co2_urgent_factor") * tolerated_mg_l
    return Severity.URGENT if ongoing and (probable or far) else Severity.WARNING


def flow_step(case: Case, high: Co2High) -> float:
    """Share by which to lower the flow so that the peak comes down to 90 % of the ceiling."""
    return min(max(1.0 - 0.9 * high.ceiling_mg_l / high.peak_mg_l, 0.05), 0.5)


def _action(case: Case, high: Co2High, ongoing: bool) -> str:
    lasting = f"for {span(high.ongoing_min)} now" if ongoing else f"for {span(high.minutes)} in all"
    been = (
        f"CO2 {'has been' if ongoing else 'was'} above {high.ceiling_mg_l:.0f} mg/L {lasting}, up "
        f"to {high.peak_mg_l:.0f} mg/L"
    )
    if not _beyond_doubt(high):
        been += f" (uncertain: it may have been only {high.peak_low_mg_l:.0f})"
    if not case.tank.animals:
        return f"{been}. No animals are registered, so that it only wastes CO2."
    if not ongoing:
        return f"Look at the animals. {been}. It is down again."
    air = (
        " Moving water also helps fish that take air at the surface, such as "
        f"{case.view.tolerance.air_breathers[0]}, since CO2 gathers over still water. Leave them "
        "one calm corner to come up in."
        if case.view.tolerance.air_breathers
        else ""
    )
    return (
        f"{capitalised(close_co2(case.tank, now=True))}. Raise the filter outlet or run an air "
        f"stone until CO2 is back below {high.ceiling_mg_l:.0f} mg/L.{air} {been}."
    )


def _beyond_doubt(high: Co2High) -> bool:
    return high.peak_low_mg_l > high.ceiling_mg_l


def _valve(less: float) -> str:
    return f"Turn the needle valve down by about {percent(less)} before CO2 comes on again."


def _calibrate(high: Co2High) -> str:
    return "" if _beyond_doubt(high) else " Calibrate the pH probe: the CO2 value is uncertain."


def _whose(case: Case, high: Co2High) -> str:
    ceiling = case.view.tolerance.co2
    if ceiling is None:
        return "upper end of the target for plants; no animals are registered"
    new = ", lowered because the animals are new" if high.newcomers else ""
    return f"what {ceiling.species} tolerates{new}"


def _ceiling_source(case: Case) -> str:
    ceiling = case.view.tolerance.co2
    return "set for this tank" if ceiling is None else ceiling.source


RULE = Rule(
    CODE,
    "CO2 above what the animals tolerate, now or for a while in the last 24 h",
    judge,
    may_move=(LESS_GAS,),
)
