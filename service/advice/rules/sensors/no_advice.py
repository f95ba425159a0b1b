"""Rule `no-advice`: what can't be judged in a tank, and why.

Judges which sensors, tests and tank settings are missing. Clears as soon
as they are there, such as at the first reading of a new sensor.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Final

from service.advice.engine.recommendation import Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who

CODE = "no-advice"
_WORDS: Final = {"co2": "CO2"}


def judge(case: Case) -> Iterator[Finding]:
    """One finding per subject; a silent or odd sensor has rules of its own."""
    measured = {one.key.quantity for one in case.view.sensors}
    tank = case.tank
    if tank.co2_injected:
        if "ph" not in measured:
            yield _finding("co2", "no pH sensor has ever reported", "Connect a pH probe, or route "
                           "its topic to this tank.")  # fmt: skip
        elif case.view.co2.kh is None:
            yield _finding("co2", "KH is not known", "Test KH and log it.", Hazard.CHEMICALS)
    if "temperature" not in measured:
        yield _finding("temperature", "no temperature sensor has ever reported",
                       "Connect one, or route its topic to this tank.")  # fmt: skip
    if case.view.tolerance.unknown:
        yield _unknown_animals(case.view.tolerance.unknown)
    if not measured & {"illuminance", "ppfd"}:
        yield _finding("light", "no light sensor has ever reported",
                       "Connect one over the tank; the plan's hours count meanwhile.")  # fmt: skip
    if case.view.sensors_left_out:
        yield _finding("further sensors", f"only {len(case.view.sensors)} sensors are used, and "
                       f"{case.view.sensors_left_out} more have reported",
                       "Find the device that keeps sending new names, and correct it.")  # fmt: skip
    if case.view.net_volume_l is None:
        yield _finding("amounts", "the net volume is not known",
                       "Enter the tank's inner dimensions or its measured volume.")  # fmt: skip


def _unknown_animals(names: tuple[str, ...]) -> Finding:
    """Of animals that are not listed and bring no range of their own."""
    those = " and ".join(names)
    return _finding("animals", f"what {those} tolerates is not known, so that no advice covers it",
                    "Enter its temperature range and CO2 limit in the tank's settings, or correct "
                    "its name.", Hazard.ANIMALS)  # fmt: skip


def _finding(subject: str, why: str, todo: str, *hazards: Hazard) -> Finding:
    return Finding(
        code=CODE,
        subject=subject,
        severity=Severity.INFO,
        title=f"No advice on {_WORDS.get(subject, subject)}",
        action=f"{why[0].upper()}{why[1:]}. {todo}",
        evidence=(Evidence(why),),
        hazards=hazards,
        who=Who.KEEPER,
        confidence=1.0,
    )


RULE = Rule(CODE, "a quantity without advice, and why", judge, timedelta(0),
            timedelta(days=30))  # fmt: skip
