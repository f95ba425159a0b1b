"""Rule `light-dose`: the daily light integral is outside the plants' range.

Judges the mean of the last full days. Clears when it is within half the tolerance, six hours
after it was last found; other rules on the hours of light go first.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from itertools import chain

from service.advice.adjusting import adjustment
from service.advice.engine.levers import LESS_LIGHT, MORE_LIGHT
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import percent, span
from service.advice.rules.co2.gas_out import no_gas
from service.advice.rules.light import long, settling, short
from service.advice.rules.light.full_days import light_sensor, mean_dli
from service.advice.rules.light.plan import wanted_hours
from service.registry.models.log import Lever

CODE = "light-dose"


def judge(case: Case) -> Iterator[Finding]:
    """One finding when the mean of the last full days is outside the plants' range."""
    found, most = mean_dli(case), mean_dli(case, at_most=True)
    if found is None or most is None:
        return
    dli, days = found
    plants = case.tank.targets
    slack = case.eased(case.limit("dli_tolerance_fraction"), 0.5, CODE)
    if dli > plants.dli_high_mol_m2_d * (1 + slack):
        bound, word, way = plants.dli_high_mol_m2_d, "much", "lower"
    elif most[0] < plants.dli_low_mol_m2_d * (1 - slack):
        dli = most[0]
        bound, word, way = plants.dli_low_mol_m2_d, "little", "raise"
    else:
        return
    if _other_rule_decides(case, way):
        return
    share = bound / dli if dli > 0 else float("inf")
    change_min = 60 * case.tank.light.photoperiod_h * (share - 1)
    yield Finding(
        code=CODE,
        severity=Severity.ADVICE if way == "lower" else Severity.INFO,
        title=f"Too {word} light in a day: {dli:.1f} mol/m²/d",
        action=(
            f"{_how(case, share, change_min)} The target for the plants of this tank is "
            f"{plants.dli_low_mol_m2_d:g} to {plants.dli_high_mol_m2_d:g} mol/m²/d at the sensor. "
            f"The last {days} days brought {dli:.1f} on average."
        ),
        evidence=(
            Evidence(
                f"daily light integral, mean of {days} days", "dli", dli, "mol/m2/d", bound,
                case.now, f"{light_sensor(case)}; {COMMON_PRACTICE}".lstrip("; "),
            ),
        ),
        amounts=(
            Amount("light to change by", 100 * (share - 1), "%"),
            Amount("photoperiod to change by", change_min, "min"),
        ),
        hazards=(Hazard.MAINS,),
        who=Who.KEEPER,
        confidence=0.6,
        log=adjustment(Lever.LIGHT_HOURS, _after(change_min)),
        moves=LESS_LIGHT if way == "lower" else MORE_LIGHT,
    )  # fmt: skip


def _other_rule_decides(case: Case, way: str) -> bool:
    """Whether another rule names other hours of light for a reason that goes first.

    The timer is put right before the lamp is judged; light that is short for a while on purpose
    (plants settle, no gas flows) is not to be lengthened.
    """
    if way == "lower":
        return any(True for _ in chain(long.judge(case), settling.judge(case)))
    meant = wanted_hours(case) < case.tank.light.photoperiod_h or no_gas(case) is not None
    return meant or any(True for _ in short.judge(case))


def _after(change_min: float) -> str:
    """What doing it leaves, for the log: ``2.2 h shorter, or dimmed as much``."""
    if change_min < 0:
        return f"{span(-change_min)} shorter, or dimmed as much"
    return f"{span(change_min)} longer, or as much stronger"


def _how(case: Case, share: float, change_min: float) -> str:
    hours = case.tank.light.photoperiod_h
    wanted_h = hours * share
    if share < 1:
        if wanted_h >= case.limit("photoperiod_shortest_h"):
            return f"Shorten the light by {span(-change_min)}, or dim it to {percent(share)}."
        return f"Dim the lamp to {percent(share)}, or hang it higher; keep {hours:g} h."
    longest_h = case.limit("photoperiod_longest_h")
    if wanted_h <= longest_h:
        return f"Lengthen the light by {span(change_min)}, if CO2 is within target all day."
    return (
        f"The lamp would have to give {share:.1f} times as much. Clean its cover, lower it, or "
        f"accept slower plants. Don't light for longer than {longest_h:g} h."
    )


RULE = Rule(
    CODE,
    "daily light integral outside the plants' range",
    judge,
    timedelta(hours=6),
    timedelta(days=3),
    may_move=(*LESS_LIGHT, *MORE_LIGHT),
)
