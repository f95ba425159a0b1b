"""Rule `light-outruns-co2`: strong light with little CO2, which invites algae.

Judges the light and the CO2 of the last full days. Clears when CO2 was below target for clearly
less of the light, six hours after it was last found.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from itertools import chain

from service.advice.engine.levers import LESS_LIGHT
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import percent
from service.advice.rules.co2.doubtful import to_settle
from service.advice.rules.co2.gas_out import no_gas
from service.advice.rules.light import dose, long, settling
from service.advice.rules.light.full_days import full_days, mean_dli
from service.advice.tank_states import days_without_gas, gas_beginning

CODE = "light-outruns-co2"
SHORTEST_H = 4.0
"""Light for a while without which plants starve. Our choice."""


def judge(case: Case) -> Iterator[Finding]:
    """One finding when strong light met too little CO2 on the last full days."""
    found = mean_dli(case)
    plants = case.tank.targets
    if found is None or not case.tank.co2_injected or no_gas(case):
        return  # ``gas-out`` gives the light for when none flows
    dli, days = found
    strong = (plants.dli_low_mol_m2_d + plants.dli_high_mol_m2_d) / 2
    # what ``gas-out`` reported is past
    gasless = {one.day for one in days_without_gas(case)}
    begun = gas_beginning(case)
    shares = [
        one.co2_below_share * (one.co2_known_share or 0.0)  # what was not seen is not counted
        for one in full_days(case)[-days:]
        if one.lit
        and one.co2_below_share is not None
        and one.day not in gasless
        and (begun is None or begun <= one.lit[0][0])
    ]
    if dli < strong or len(shares) < 2:
        return
    share = sum(shares) / len(shares)
    most = case.limit("co2_below_fraction_for_light")
    if share <= case.eased(most, 0.8, CODE):
        return
    doubt = to_settle(case)
    dim = plants.dli_low_mol_m2_d / dli
    shorter_h = max(case.tank.light.photoperiod_h * dim, SHORTEST_H)
    other = any(True for _ in chain(dose.judge(case), settling.judge(case), long.judge(case)))
    meanwhile = (
        ""
        if other  # another rule says by how much; two figures would be one too many
        else f" Until then dim the lamp to {percent(dim)} of now, or shorten it to "
        f"{shorter_h:.0f} h."
    )
    yield Finding(
        code=CODE,
        severity=Severity.ADVICE,
        title="More light than the CO2 can use",
        action=(
            f"{_first(case, doubt)}{meanwhile} CO2 was below target for {percent(share)} of the "
            f"light, which brought {dli:.1f} mol/m²/d. Plants short of CO2 leave light to algae."
        ),
        evidence=(
            Evidence("daily light integral", "dli", dli, "mol/m2/d", strong, case.now),
            Evidence(
                f"share of the light with CO2 below target, {len(shares)} days",
                "co2-below-share", share, "1", most, case.now, COMMON_PRACTICE,
            ),
        ),
        amounts=() if other else (Amount("light meanwhile", 100 * dim, "%"),),
        hazards=(Hazard.CO2, Hazard.MAINS, *((Hazard.CHEMICALS,) if doubt else ())),
        who=Who.KEEPER,
        confidence=0.6,
        moves=LESS_LIGHT,
    )  # fmt: skip


def _first(case: Case, doubt: str) -> str:
    """CO2 goes first; an estimate in doubt is settled before the gas is touched."""
    if doubt:
        return f"First find out whether CO2 is as low as it seems. {doubt}."
    return f"First bring CO2 to {case.view.co2.target_low_mg_l:.0f} mg/L by lights-on."


RULE = Rule(
    CODE,
    "strong light met too little CO2 on the last days",
    judge,
    timedelta(hours=6),
    timedelta(days=2),
    may_move=LESS_LIGHT,
)
