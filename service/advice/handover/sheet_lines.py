"""Sentences of a handover sheet: the state of a tank in lines, and what to leave alone."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Final

from service.advice.care_log import newest
from service.advice.engine.recommendation import (
    Recommendation,
    Severity,
)
from service.advice.engine.rule import Case
from service.advice.phrases import capitalised, listed, local_date, percent, span
from service.derive.models.tank_view import TankView
from service.registry.log.entry_text import entry_text
from service.registry.models.log import LogKind
from service.registry.models.trials import Trial

PLANTS_SHOWN: Final = 4
"""So many plants stand on a sheet by name. Our choice."""


def water_line(view: TankView) -> str:
    """The water now, or why it is not known: ``Water: 24.0 °C (range 22 to 28). CO2: …``."""
    parts = []
    now = view.temperature
    if now.reading is not None and now.rate_k_h is not None:
        low, high = now.tolerable.low_c, now.tolerable.high_c
        known = low is not None and high is not None
        within = f" (range {low:g} to {high:g})" if known else ""
        parts.append(f"Water: {now.reading.value:.1f} °C{within}")
    elif now.reasons:
        parts.append(f"Temperature not known: {now.reasons[0]}")
    co2 = view.co2
    if co2.co2 is not None:
        parts.append(
            f"CO2: {co2.co2.value:.0f} mg/L (likely {co2.co2.low:.0f} to {co2.co2.high:.0f}; "
            f"target {co2.target_low_mg_l:.0f} to {co2.target_high_mg_l:.0f} while the lamp is on)"
        )
    elif view.tank.co2_injected:
        parts.append(f"CO2 not known: {co2.reasons[0] if co2.reasons else 'no reading'}")
    if view.light is not None and view.light.lit is not None:
        parts.append("Lamp on" if view.light.lit else "Lamp off")
    return "".join(f"{part}. " for part in parts).strip()


def open_line(open_ones: Sequence[Recommendation]) -> str:
    """What is to be done, in one line."""
    if not open_ones:
        return "Nothing to do now besides what is planned."
    grave = [one for one in open_ones if one.finding.severity >= Severity.WARNING]
    shown = [one.finding.title for one in (grave or list(open_ones))[:3]]
    more = len(open_ones) - len(shown)
    said = " ".join(one if one.endswith("?") else f"{one}." for one in shown)
    return f"Open: {said}{f' And {more} more.' if more > 0 else ''}"


def life_line(case: Case) -> str:
    """What lives in the tank and what was last done."""
    animals = [f"{stock.count} {stock.species}" for stock in case.tank.animals if stock.count]
    parts = [listed(animals) if animals else "No animals registered"]
    if case.tank.plants:
        parts.append(f"Plants: {planted(case)}")
    parts += treated(case)
    change = newest(case, LogKind.WATER_CHANGE)
    if change is None:
        parts.append("No water change in the log")
    else:
        share = change.data.get("fraction")
        how_much = "" if share is None else f" ({percent(float(share))})"
        parts.append(f"Water changed {span(case.now - change.time)} ago{how_much}")
    return " ".join(f"{part}." for part in parts)


def planted(case: Case) -> str:
    """The plants by name, the first of many."""
    names = [one.species for one in case.tank.plants]
    more = len(names) - PLANTS_SHOWN
    return listed([*names[:PLANTS_SHOWN], *([f"{more} more"] if more > 0 else [])])


def treated(case: Case) -> list[str]:
    """Salt and medication of the last months: ``Salt, 30 g, 5 days ago``."""
    days = timedelta(days=case.limit("remedy_days"))
    found = (newest(case, kind) for kind in (LogKind.SALT, LogKind.MEDICATION))
    recent = [one for one in found if one is not None and case.now - one.time <= days]
    return [f"{capitalised(entry_text(one))}, {span(case.now - one.time)} ago" for one in recent]


def leave_alone(case: Case, trials: Sequence[Trial] = ()) -> list[str]:
    """What a colleague should not touch.

    Args:
        trials: of the tank, running.
    """
    found = [
        "the heater's setting and the timers" if case.tank.heated else "the timers",
    ]
    if case.tank.co2_injected:
        found.insert(
            0, "the needle valve and the regulator: close the CO2 cylinder, never open it more"
        )
    if case.tank.doses:
        found.append("fertiliser beyond the doses listed, and no second dose for a forgotten one")
    found += [
        "the filter media",
        "new animals or plants, remedies, other foods, more food",
    ]
    return [*(trying(one, case) for one in trials), *found]


def trying(trial: Trial, case: Case) -> str:
    """What is tried, for whoever might set it back."""
    until = local_date(case.tank, trial.look_again, case.now)
    return f"what we are trying until {until}, \u201c{trial.question}\u201d: leave it as it is"
