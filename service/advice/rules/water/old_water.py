"""What the old water of a change is fit for, by what is known of salt and medication."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

from service.advice.care_log import newest
from service.advice.engine.recommendation import Amount
from service.advice.engine.rule import Case
from service.advice.phrases import litres
from service.registry.models.log import LogKind
from service.science.water.reuse import reuse_for_plants

NOT_TO_DRINK: Final = "Don't drink it, nor pour it on leaves that are eaten raw."
UNLESS: Final = {
    (True, True): ", unless salt or medication is in it",
    (True, False): ", unless salt is in it",
    (False, True): ", unless medication is in it",
    (False, False): "",
}


def old_water(case: Case, water_l: float) -> tuple[str, tuple[Amount, ...]]:
    """A sentence on the old water, and how much of it plants can have.

    Salt or medication in the log of the last months, or said of the tank, rules it out; where
    nobody said, the sentence says so.
    """
    salted = in_water(case, LogKind.SALT, case.tank.salted)
    medicated = in_water(case, LogKind.MEDICATION, case.tank.medicated)
    conductivity = case.view.latest.get("conductivity")
    found = reuse_for_plants(
        water_l,
        salt_added=bool(salted),
        medicated=bool(medicated),
        conductivity_us_cm=None if conductivity is None else conductivity.value,
    )
    if found.verdict == "unfit":
        return f"Old water: {found.reasons[0]}.", ()
    unless = UNLESS[salted is None, medicated is None]
    amounts = () if unless else (Amount("old water for plants", found.litres, "L"),)
    if found.verdict == "dilute":
        return (
            "The old water can go on plants if mixed with "
            f"{litres(found.rainwater_l)} of rain water{unless}. {NOT_TO_DRINK}",
            amounts,
        )
    return (
        f"The old {litres(found.litres)} are fit for house plants and the garden{unless}. "
        f"{NOT_TO_DRINK}",
        amounts,
    )


def in_water(case: Case, kind: LogKind, said: bool | None) -> bool | None:
    """Whether it is in the water: logged of late, or said of the tank; None: nobody said."""
    last = newest(case, kind)
    days = timedelta(days=case.limit("remedy_days"))
    if last is not None and case.now - last.time <= days:
        return True
    return said
