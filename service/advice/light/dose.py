"""The daily light does not fit what the plants want."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.light.full_days import light_sensor, mean_dli
from service.advice.phrases import percent, span
from service.advice.practice import COMMON_PRACTICE
from service.advice.recommendation import Amount, Evidence, Finding, Severity
from service.advice.rule import Case, Rule

CODE = "light-dose"
LONGEST_H, SHORTEST_H = 10.0, 6.0
"""Photoperiods beyond which dimming or a stronger lamp is the better way (common practice)."""


def judge(case: Case) -> Iterator[Finding]:
    """Compare the mean of the last full days with the plants' range."""
    found = mean_dli(case)
    if found is None:
        return
    dli, days = found
    plants = case.tank.plants
    slack = case.limit("dli_tolerance_share") * (0.5 if case.stands(CODE) else 1.0)
    if dli > plants.dli_high_mol_m2_d * (1 + slack):
        bound, word, way = plants.dli_high_mol_m2_d, "much", "lower"
    elif dli < plants.dli_low_mol_m2_d * (1 - slack):
        bound, word, way = plants.dli_low_mol_m2_d, "little", "raise"
    else:
        return
    share = bound / dli if dli > 0 else float("inf")
    change_min = 60 * case.tank.photoperiod.hours * (share - 1)
    yield Finding(
        code=CODE,
        severity=Severity.ADVICE if way == "lower" else Severity.INFO,
        title=f"Too {word} light in a day: {dli:.1f} mol/m²/d",
        action=(
            f"The plants of this tank want {plants.dli_low_mol_m2_d:g} to "
            f"{plants.dli_high_mol_m2_d:g} mol/m²/d at the sensor; the last {days} days brought "
            f"{dli:.1f}. {_how(case, share, change_min)}"
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
        confidence=0.6,
        moves=(f"light:{way}",),
    )  # fmt: skip


def _how(case: Case, share: float, change_min: float) -> str:
    hours = case.tank.photoperiod.hours
    wanted_h = hours * share
    if share < 1:
        if wanted_h >= SHORTEST_H:
            return f"Shorten the light by {span(-change_min)}, or dim it to {percent(share)}."
        return f"Dim the lamp to {percent(share)}, or hang it higher; keep {hours:g} h."
    if wanted_h <= LONGEST_H:
        return f"Lengthen the light by {span(change_min)}, if CO2 is within target all day."
    return (
        f"The lamp would have to give {share:.1f} times as much: clean its cover, lower it, or "
        "accept slower plants; don't light for longer than 10 h."
    )


RULE = Rule(CODE, "daily light integral outside the plants' range", judge, timedelta(hours=6),
            timedelta(days=3))  # fmt: skip
