"""Much light with little CO2: what invites algae; which to change, and by how much."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice import cautions
from service.advice.light.full_days import full_days, mean_dli
from service.advice.phrases import percent
from service.advice.practice import COMMON_PRACTICE
from service.advice.recommendation import Amount, Evidence, Finding, Severity
from service.advice.rule import Case, Rule

CODE = "light-outruns-co2"


def judge(case: Case) -> Iterator[Finding]:
    """Speak when strong light met too little CO2 on the last full days."""
    found = mean_dli(case)
    plants = case.tank.plants
    if found is None or not case.tank.co2_injected:
        return
    dli, days = found
    strong = (plants.dli_low_mol_m2_d + plants.dli_high_mol_m2_d) / 2
    shares = [
        one.co2_below_share
        for one in full_days(case)[-days:]
        if one.lit and one.co2_below_share is not None
    ]
    if dli < strong or len(shares) < 2:
        return
    share = sum(shares) / len(shares)
    most = case.limit("co2_below_share_for_light")
    if share <= (0.8 * most if case.stands(CODE) else most):
        return
    dim = plants.dli_low_mol_m2_d / dli
    target_low = case.view.co2.target_low_mg_l
    yield Finding(
        code=CODE,
        severity=Severity.ADVICE,
        title="More light than the CO2 can use",
        action=(
            f"Light brought {dli:.1f} mol/m²/d, but CO2 was below target for "
            f"{percent(share)} of it. Change CO2 first: bring it to {target_low:.0f} mg/L by "
            f"lights-on. Until then dim the lamp to {percent(dim)} of now, or shorten it to "
            f"{max(case.tank.photoperiod.hours * dim, 4.0):.0f} h: plants short of CO2 leave the "
            "light to algae."
        ),
        evidence=(
            Evidence("daily light integral", "dli", dli, "mol/m2/d", strong, case.now),
            Evidence(
                f"share of the light with CO2 below target, {len(shares)} days",
                "co2-below-share", share, "1", most, case.now, COMMON_PRACTICE,
            ),
        ),
        amounts=(Amount("light meanwhile", 100 * dim, "%"),),
        cautions=(cautions.GAS,),
        confidence=0.6,
        moves=("light:lower",),
    )  # fmt: skip


RULE = Rule(CODE, "strong light met too little CO2 on the last days", judge, timedelta(hours=6),
            timedelta(days=2))  # fmt: skip
