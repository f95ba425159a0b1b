"""What can be observed, to be tapped: kinds, each with its steps and when it was last seen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Final

from markupsafe import Markup

from service.derive.observations import Observation
from service.pages.local_time import LocalTime
from service.registry.log.observations import OBSERVATIONS, ObservationKind

OBSERVED: Final = "observed"
"""Name of the input for the kind; that of the entry itself is ``kind``."""

LEVEL: Final = "level"

NOT_YET: Final = Markup("")


@dataclass(frozen=True, slots=True)
class Offered:
    """A kind that can be tapped.

    Attributes:
        last: the level when it was last observed; None: not yet.
        when: how long ago that was.
    """

    kind: ObservationKind
    last: int | None = None
    when: Markup = NOT_YET


@dataclass(frozen=True, slots=True)
class OfferedGroup:
    """Kinds that are about the same."""

    title: str
    kinds: tuple[Offered, ...]


def offered_groups(
    newest: Mapping[str, Observation], local_time: LocalTime
) -> tuple[OfferedGroup, ...]:
    """All kinds in the order of the table, by what they are about.

    Args:
        newest: the newest observation of each kind, by code.
    """
    groups = groupby(OBSERVATIONS.values(), key=lambda kind: kind.group)
    return tuple(
        OfferedGroup(group.value, tuple(_offered(kind, newest, local_time) for kind in kinds))
        for group, kinds in groups
    )


def _offered(
    kind: ObservationKind, newest: Mapping[str, Observation], local_time: LocalTime
) -> Offered:
    last = newest.get(kind.code)
    return Offered(kind) if last is None else Offered(kind, last.level, local_time.ago(last.time))
