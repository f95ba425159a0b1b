"""Rule `temperature-coming`: temperature will probably leave its range soon.

Judges the forecast. Clears when the crossing becomes improbable, when temperature has left its
range (`temperature-out` takes over), or an hour after it was last found.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from service.advice.care_log import newest
from service.advice.engine.levers import COOLER, LESS_LIGHT, MORE_GAS, WARMER
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import clock, day_clock
from service.advice.rules.heat.out_of_range import ongoing
from service.registry.models.log import LogKind

CODE = "temperature-coming"
SOON = timedelta(hours=2)
USUAL_C = 0.3
NEW_WATER = timedelta(hours=3)
"""So long after a water change the last hours tell nothing of the next ones. Our choice."""
RETURN_S = 12 * 3600.0
"""So long after an excursion the way back to the other side is just that. Our choice."""


def judge(case: Case) -> Iterator[Finding]:
    """One finding when a crossing within the horizon is probable and has not happened yet."""
    now = case.view.temperature
    coming = now.forecast
    if coming is None or now.reading is None or now.rate_k_h is None:
        return
    if coming.at_s - case.now.timestamp() > 3600 * case.limit("forecast_horizon_h"):
        return  # further ahead day and night turn it round
    change = newest(case, LogKind.WATER_CHANGE)
    if change is not None and case.now - change.time < NEW_WATER:
        return  # the new water moved it, not the room
    if _returning(case, coming.side, now.reading.value):
        return
    if any(one.side == coming.side and ongoing(case, one) for one in case.view.excursions):
        return
    least = case.limit("forecast_probability")
    if coming.probability < case.eased(least, 0.8, CODE, coming.side):
        return
    at = datetime.fromtimestamp(coming.at_s, UTC)
    earliest = datetime.fromtimestamp(coming.earliest_s, UTC)
    warm = coming.side == "above"
    species = now.tolerable.species(coming.side)
    yield Finding(
        code=CODE,
        subject=coming.side,
        severity=Severity.WARNING if at - case.now < SOON else Severity.ADVICE,
        title=(
            f"Water will be {coming.side} {coming.limit_c:g} °C by about {clock(case.tank, at)}"
        ),
        action=(
            (
                "Open the lid, set a fan across the surface, dim the lamp, close the blinds."
                if warm
                else f"{'Check the heater and close' if case.tank.heated else 'Close'} the window."
            )
            + f" It is {now.reading.value:.1f} °C and {'rises' if now.rate_k_h > 0 else 'falls'} "
            f"by {abs(now.rate_k_h):.1f} °C per hour. If nothing changes, it passes the limit of "
            f"{species or 'the animals'} at about {day_clock(case.tank, at, case.now)}, at the "
            f"earliest at {clock(case.tank, earliest)}."
        ),
        evidence=(
            Evidence(
                "forecast from the last hours", "temperature", now.reading.value, "Cel",
                coming.limit_c, at, f"sensor {now.reading.sensor}",
            ),
            Evidence("how likely it is", "probability", coming.probability, "1", least),
        ),
        amounts=(
            Amount("rate", now.rate_k_h, "K/h"),
            Amount("time left", (at - case.now).total_seconds() / 60, "min"),
        ),
        due=earliest,
        hazards=(Hazard.TEMPERATURE, Hazard.MAINS),
        confidence=min(coming.probability, 1.0),
        since=case.now,
        moves=(COOLER, *LESS_LIGHT) if warm else (WARMER,),
        refuses=(MORE_GAS,) if warm else (),
    )  # fmt: skip


def _returning(case: Case, side: str, celsius: float) -> bool:
    """Whether temperature is only on its way back to what has been usual of late."""
    other = "below" if side == "above" else "above"
    for one in case.view.excursions:
        if one.side == other and case.now.timestamp() - one.end_s < RETURN_S:
            return True
    usual = case.view.usual_c
    if usual is None:
        return False
    return celsius < usual - USUAL_C if side == "above" else celsius > usual + USUAL_C


RULE = Rule(
    CODE,
    "temperature will probably leave its range within half a day",
    judge,
    timedelta(hours=1),
    may_move=(COOLER, *LESS_LIGHT, WARMER),
)
