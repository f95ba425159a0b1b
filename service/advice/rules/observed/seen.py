"""Which observations count for a rule: fresh ones, and whether they rise."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta

from service.advice.engine.recommendation import Evidence
from service.advice.engine.rule import Case
from service.advice.phrases import capitalised
from service.derive.observations import Observation, observations_of
from service.registry.log.observations import OBSERVATIONS, ObservationGroup
from service.registry.models.log import LogKind

ALGAE = tuple(one.code for one in OBSERVATIONS.values() if one.group is ObservationGroup.ALGAE)


@dataclass(frozen=True, slots=True)
class Rise:
    """Something of which there is more than before.

    Attributes:
        newest: what was seen last.
        before: the lowest that was seen in the weeks before.
    """

    newest: Observation
    before: Observation

    @property
    def words(self) -> str:
        """``tufts of algae rose from 1 to 3``."""
        title = self.newest.kind.title
        return f"{title[0].lower()}{title[1:]} rose from {self.before.level} to {self.newest.level}"

    def evidence(self, source: str) -> Evidence:
        """The rise as a reason."""
        seen = evidence_of(self.newest, source=source)
        return replace(seen, text=f"{capitalised(self.words)}: {self.newest.seen.step}")


def observed(case: Case, code: str) -> Iterator[Observation]:
    """The observations of a kind up to now, newest first."""
    return (
        one
        for one in observations_of(case.log_by_kind.get(LogKind.OBSERVATION, ()))
        if one.kind.code == code
    )


def fresh(case: Case, code: str, length: timedelta | None = None) -> Observation | None:
    """The newest observation of a kind, while it counts; None where it is too old.

    Args:
        length: for how long it counts; None: as the tank's threshold says.
    """
    newest = next(observed(case, code), None)
    lasting = timedelta(days=case.limit("observation_days")) if length is None else length
    return newest if newest is not None and case.now - newest.time <= lasting else None


def rising(case: Case, code: str) -> Rise | None:
    """The rise of a kind in the last weeks; None where it is none, or not much is there."""
    newest = fresh(case, code)
    if newest is None or newest.level < case.limit("algae_level"):
        return None
    oldest = newest.time - timedelta(weeks=case.limit("observation_weeks"))
    earlier = [one for one in observed(case, code) if oldest <= one.time < newest.time]
    if not earlier:
        return None
    before = min(earlier, key=lambda one: one.level)
    return Rise(newest, before) if newest.level > before.level else None


def evidence_of(one: Observation, threshold: float | None = None, source: str = "") -> Evidence:
    """What was seen, as a reason."""
    who = f"seen by {one.entry.by}" if one.entry.by else "seen"
    return Evidence(
        one.seen.text,
        one.kind.code,
        float(one.level),
        "1",
        threshold,
        one.time,
        "; ".join(filter(None, (who, source))),
    )
