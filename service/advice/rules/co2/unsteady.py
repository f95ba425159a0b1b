"""Rule `co2-unsteady`: CO2 while lit differs from day to day.

Judges the usual step between the means of neighbouring days. Where tufts of algae rise too, it
comes before other measures. Clears when it is below 0.7 of the threshold, six hours after it was
last found.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import numpy as np

from service.advice.engine.levers import LESS_LIGHT, MORE_LIGHT
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import capitalised, percent
from service.advice.rules.observed.seen import rising
from service.derive.models.co2 import Array
from service.derive.thresholds import COMMON_PRACTICE, OUR_CHOICE
from service.science.numeric.ranks import median

CODE = "co2-unsteady"
TUFTS = "tufts"
"""The algae that come where CO2 goes up and down."""

LEAST_DAYS = 5
LEAST_KNOWN_SHARE = 0.9
"""CO2 of a day is compared where so much of its light is known. Our choice."""


def judge(case: Case) -> Iterator[Finding]:
    """Judge the usual step of the daily mean while lit, from one day to the next.

    A single step is no unsteadiness: somebody turned the valve, or something broke and was
    mended.
    """
    if not case.tank.co2_injected:
        return
    full = [
        one
        for one in case.view.co2_days
        if one.off_at - one.on_at >= timedelta(hours=2) and one.known_share >= LEAST_KNOWN_SHARE
    ]
    if full and full[-1].off_at > case.now - timedelta(minutes=30):
        full = full[:-1]  # today is not over
    if len(full) < LEAST_DAYS:
        return
    means = np.array([one.mean_lit_mg_l for one in full])
    spread = usual_step(means)
    most = case.limit("co2_unsteady_fraction")
    if spread <= case.eased(most, 0.7, CODE):
        return
    rise = rising(case, TUFTS)
    first = "Steady the CO2 first: leave light and doses as they are. " if rise else ""
    why = (
        f" {capitalised(rise.words)}: they come where CO2 goes up and down."
        if rise is not None
        else ""
    )
    yield Finding(
        code=CODE,
        severity=Severity.INFO if rise is None else Severity.ADVICE,
        title=f"CO2 differs by {percent(spread)} from day to day"
        + ("" if rise is None else ", and tufts of algae rise"),
        action=(
            f"{first}Look for what changes from day to day: a worn regulator, a cylinder that is "
            "nearly empty, or a clogged diffuser. It may also be bubbles caught under leaves, or a "
            f"filter outlet that was moved. In the last {len(full)} days CO2 while lit lay between "
            f"{means.min():.0f} "
            f"and {means.max():.0f} mg/L. Plants and animals do best when it is the same every day."
            f"{why}"
        ),
        evidence=(
            Evidence(
                "usual change of the daily mean from day to day", "co2-spread", spread,
                "1", most, full[-1].off_at, OUR_CHOICE,
            ),
            *(one.evidence(COMMON_PRACTICE) for one in (rise,) if one is not None),
        ),
        amounts=(Amount("spread of the daily CO2", 100 * spread, "%"),),
        hazards=(Hazard.CO2, Hazard.MAINS),
        who=Who.KEEPER,
        confidence=0.6,
        since=full[0].on_at,
        refuses=() if rise is None else (*MORE_LIGHT, *LESS_LIGHT),
    )  # fmt: skip


def usual_step(means: Array) -> float:
    """Median of the steps between neighbouring days, relative to the median of the days."""
    return median(np.abs(np.diff(means))) / median(means)


RULE = Rule(CODE, "CO2 while lit differs from day to day", judge, clear_delay=timedelta(hours=6))
