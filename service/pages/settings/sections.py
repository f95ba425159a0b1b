"""The parts of the form of a tank, in their order; what no part names comes under the last."""

from __future__ import annotations

from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import cache
from typing import Final


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the form.

    Attributes:
        key: in addresses.
        members: of the tank that belong here: paths without indexes, ``*`` for any rest.
        lead: a sentence below the title.
        rare: those of the members that are folded.
        preview: what is drawn beside it while it is edited: ``tank``, ``day``, ``doses`` or "".
        first: asked when the tank is made; the others are folded then.
    """

    key: str
    title: str
    members: tuple[str, ...]
    rare: tuple[str, ...] = ()
    lead: str = ""
    preview: str = ""
    first: bool = False


SECTIONS: Final = (
    Section(
        "name",
        "Name",
        ("id", "name", "time_zone", "set_up", "energy", "altitude"),
        ("id", "set_up", "energy", "altitude"),
        first=True,
    ),
    Section(
        "dimensions",
        "Dimensions",
        ("dimensions/*", "net_volume"),
        ("net_volume", "dimensions/substrate_porosity"),
        "Measured inside the glass.",
        "tank",
        first=True,
    ),
    Section(
        "water",
        "Water",
        (
            "kh", "kh_*", "gh", "organic_carbon", "salted", "medicated", "water_change/tap_*",
            "water_change/hot_*",
        ),
        (
            "kh_kit/*", "organic_carbon", "salted", "medicated", "water_change/tap_no3",
            "water_change/tap_po4", "water_change/tap_k", "water_change/tap_fe",
            "water_change/hot_*",
        ),
        "KH is what CO2 is worked out from: test it with drops, and enter it here or in the log.",
    ),
    Section(
        "animals",
        "Animals",
        ("animals/*",),
        (),
        "By scientific name; type a common one to find it. Limits come from the table of species, "
        "unless you enter your own.",
    ),
    Section("plants", "Plants", ("plants/*", "targets/*")),
    Section(
        "plan",
        "Light and CO2",
        ("light/*", "co2_injected", "gas/*", "cylinder/*"),
        (),
        "Times are the tank's own.",
        "day",
    ),
    Section("equipment", "Lamp, filter and heater", ("heated", "equipment")),
    Section(
        "doses",
        "Fertiliser",
        ("doses/*",),
        (),
        "From a bottle or as dry salts. Say what is in it, by its salts or by its label, and its "
        "nutrients are followed.",
        "doses",
    ),
    Section("water-change", "Water changes", ("water_change/*",)),
    Section(
        "contact",
        "Contact and notes",
        ("contact", "notes"),
        (),
        "Shown on the handover sheet.",
    ),
    Section(
        "thresholds",
        "Thresholds",
        ("thresholds",),
        (),
        "When advice is given. Leave one empty for its default.",
    ),
    Section("more", "More", ("*",)),
)  # fmt: skip
"""Earlier ones take what they name, also where a later one would."""


ELSEWHERE: Final = {"sensors": "pages.tank_sensors"}
"""Members that a page of their own sets, and its endpoint: the form leaves them as they are."""


@cache
def section_of(member: str) -> Section:
    """The section that asks for a member, by its path without indexes: ``animals/species``."""
    return next(one for one in SECTIONS for pattern in one.members if fnmatchcase(member, pattern))


@cache
def is_rare(member: str) -> bool:
    """Whether a member is folded in its section."""
    return any(fnmatchcase(member, pattern) for pattern in section_of(member).rare)


def section_at(key: str) -> Section | None:
    """The section of a key in an address."""
    return next((one for one in SECTIONS if one.key == key), None)
