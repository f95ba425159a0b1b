"""In which units a person sees and writes quantities, remembered in the cookie of the pages."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final

from flask import session

from service.pages.settings.questions import Node, questions_in

KEY: Final = "units"
"""In the cookie: first unit of a choice -> the one that the person chose."""

SYSTEMS: Final[Mapping[str, Mapping[str, str]]] = {
    "metric": {"cm": "cm", "m": "m", "L": "L", "Cel": "Cel"},
    "US": {"cm": "in", "m": "ft", "L": "gal", "Cel": "[degF]"},
    "imperial": {"cm": "in", "m": "ft", "L": "[gal_br]", "Cel": "Cel"},
}
"""Units by what people call them together. °C with imperial gallons: our choice."""


def unit_of(units: tuple[str, ...]) -> str:
    """The one of some units that the person chose last; else the first."""
    chosen = _chosen().get(units[0], units[0])
    return chosen if chosen in units else units[0]


def choose_system(name: str) -> None:
    """Show all quantities in the units of a system; an unknown one changes nothing."""
    if name in SYSTEMS:
        session[KEY] = {**_chosen(), **SYSTEMS[name]}


def remember(nodes: Sequence[Node], given: Mapping[str, str]) -> None:
    """Show quantities from now on in the unit that most of those in a form were given in."""
    used: dict[str, Counter[str]] = {}
    for question in questions_in(nodes):
        unit = given.get(question.unit_name, "")
        filled = any(given.get(box.name) for box in question.boxes)
        if filled and question.units and unit in question.units:
            used.setdefault(next(iter(question.units)), Counter())[unit] += 1
    if used:
        most = {first: units.most_common(1)[0][0] for first, units in used.items()}
        session[KEY] = {**_chosen(), **most}


def _chosen() -> Mapping[str, str]:
    found = session.get(KEY)
    return found if isinstance(found, dict) else {}
