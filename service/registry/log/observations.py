"""What can be observed in a tank on a scale of 0 to 5: the one table of kinds and their steps.

Schema, checks, API, pages, command and documents follow from it. Step 0 is "none seen", but for
growth, where it is "no growth". The steps are our own wording; the scale is our choice, in the
manner of the ordinal cover scales of vegetation science (from memory: Braun-Blanquet 1932). They
need no word of the trade: a colleague who never kept a tank ticks them too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Any, Final

LOWEST: Final = 0
HIGHEST: Final = 5


class ObservationGroup(StrEnum):
    """What an observation is about; the value is for people."""

    ALGAE = "Algae"
    LEAVES = "Leaves"
    GROWTH = "Growth"
    ANIMALS = "Animals"
    SMALL_LIFE = "Small life"


@dataclass(frozen=True, slots=True)
class ObservationKind:
    """One thing that can be observed.

    Attributes:
        code: the word in JSON and on the command line.
        title: for people.
        group: what it is about.
        steps: a plain description of each step, from 0 to 5.
    """

    code: str
    title: str
    group: ObservationGroup
    steps: tuple[str, str, str, str, str, str]


@dataclass(frozen=True, slots=True)
class Observed:
    """One observation on a scale: what, and which step."""

    kind: ObservationKind
    level: int

    @property
    def step(self) -> str:
        """The description of the step."""
        return self.kind.steps[self.level]

    @property
    def text(self) -> str:
        """In one line for a person: ``Threads of algae 2: short threads on a few leaves``."""
        return f"{self.kind.title} {self.level}: {self.step}"


_TABLE: Final = (
    ObservationKind("film", "Green film", ObservationGroup.ALGAE, (
        "none seen",
        "a faint haze on the glass after a week",
        "the glass needs a wipe once a week",
        "the glass turns green within three days, a little film on slow leaves",
        "film on glass, stones and many leaves",
        "everything is green within a day or two, or the water itself is green",
    )),
    ObservationKind("threads", "Thread algae", ObservationGroup.ALGAE, (
        "none seen",
        "a few short threads in one place",
        "short threads on a few leaves",
        "threads as long as a finger in several places",
        "mats of threads between the plants",
        "threads cover most of the plants",
    )),
    ObservationKind("tufts", "Tufts of algae", ObservationGroup.ALGAE, (
        "none seen",
        "one or two dark tufts on wood or a pipe",
        "a few tufts on the oldest leaves",
        "tufts on the edges of many old leaves",
        "tufts on wood, stones and young leaves",
        "thick tufts on most leaves and hard surfaces",
    )),
    ObservationKind("slime", "Blue-green slime", ObservationGroup.ALGAE, (
        "none seen",
        "a spot of slime in one place, no larger than a coin",
        "a patch at the front glass or in one corner",
        "patches on the ground and plants in several places",
        "sheets of slime that come back within days",
        "slime covers much of the ground and the plants, with a strong smell",
    )),
    ObservationKind("pale-leaves", "Pale new leaves", ObservationGroup.LEAVES, (
        "none seen",
        "the newest leaves of one plant are a little pale",
        "the newest leaves of a few plants are pale",
        "most new leaves are pale or yellow between the veins",
        "new leaves are yellow or white on most plants",
        "new leaves come white, small or twisted everywhere",
    )),
    ObservationKind("holes", "Holes in leaves", ObservationGroup.LEAVES, (
        "none seen",
        "pinholes in one or two old leaves",
        "small holes in several old leaves",
        "holes with yellow edges in many old leaves",
        "old leaves fall apart on several plants",
        "most leaves have holes or dead parts",
    )),
    ObservationKind("melting", "Melting leaves", ObservationGroup.LEAVES, (
        "none seen",
        "a few soft leaves on one plant",
        "one plant loses leaves that turn to jelly",
        "several plants lose soft leaves",
        "most leaves of several plants have melted",
        "whole groups have melted down to the roots",
    )),
    ObservationKind("growth", "Growth", ObservationGroup.GROWTH, (
        "no growth",
        "hardly any: a new leaf here and there in a week",
        "slow: new leaves on the fast plants only",
        "steady: new leaves on most plants",
        "good: the fast plants have to be cut each week or two",
        "strong: the fast plants have to be cut every few days",
    )),
    ObservationKind("surface-breathing", "Breathing at the surface", ObservationGroup.ANIMALS, (
        "none seen",
        "one animal, now and then",
        "a few animals, at one time of the day only",
        "several animals at the surface for minutes",
        "most animals stay at the surface",
        "nearly all gasp at the surface, or some lie on their sides",
    )),
    ObservationKind("hiding", "Hiding", ObservationGroup.ANIMALS, (
        "none: all are out as usual",
        "one animal stays hidden",
        "a few stay hidden for part of the day",
        "about half stay hidden for most of the day",
        "most stay hidden and come out only to feed",
        "all stay hidden and don't come out to feed",
    )),
    ObservationKind("losses", "Losses", ObservationGroup.ANIMALS, (
        "none found dead",
        "one found dead or missing",
        "two or three within a week",
        "some every week",
        "some every day",
        "many within a day",
    )),
    ObservationKind("invertebrates", "Small invertebrates", ObservationGroup.SMALL_LIFE, (
        "none seen on wood or glass",
        "a few, seen only on a close look",
        "some on glass or wood on most days",
        "many on the glass after lights-off",
        "many on glass, wood and ground by day",
        "the glass is covered with them",
    )),
    ObservationKind("hydra", "Hydra (they sting)", ObservationGroup.SMALL_LIFE, (
        "none seen on wood or glass",
        "one or two small polyps on glass or wood",
        "a few in one place",
        "some in several places",
        "many on glass, wood and leaves",
        "they cover glass or wood",
    )),
)  # fmt: skip

OBSERVATIONS: Final[Mapping[str, ObservationKind]] = MappingProxyType(
    {one.code: one for one in _TABLE}
)
"""By code, in the order in which forms and documents list them."""


def observed(data: Mapping[str, Any]) -> Observed | None:
    """What the data of an observation say on a scale; None where they say nothing of that kind."""
    kind, level = OBSERVATIONS.get(str(data.get("kind", ""))), data.get("level")
    if kind is None or not isinstance(level, int | float):
        return None
    return Observed(kind, int(level))
