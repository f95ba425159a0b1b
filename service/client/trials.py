"""The part of the client that begins trials and reads their results."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from urllib.parse import quote

from service.client.codec import options_of, tank_path, text_of, value_of
from service.client.connection import Connection


@dataclass(frozen=True, slots=True)
class Watchable:
    """Something that can be watched: its name, a title, and the unit (UCUM)."""

    name: str
    title: str
    unit: str


@dataclass(frozen=True, slots=True)
class TrialDay:
    """A watched value on one local day; None: sensors did not show it."""

    day: date
    value: float | None


@dataclass(frozen=True, slots=True)
class TrialChange:
    """After minus before, with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class TrialAnswer:
    """The result of one watched value.

    Attributes:
        verdict: ``rose``, ``fell``, ``no-difference``, ``reached``, ``not-reached`` or
            ``too-little``.
        before, after: means of the days that count.
        left_out: days that sensors did not show.
    """

    name: str
    title: str
    unit: str
    verdict: str
    sentence: str
    before: float | None
    after: float | None
    change: TrialChange | None
    days_before: int
    days_after: int
    left_out: int
    days: list[TrialDay]


@dataclass(frozen=True, slots=True)
class Confounder:
    """Something else that changed in that time."""

    time: datetime
    text: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """The result of a trial; ``final`` is False while it runs."""

    time: datetime
    final: bool
    sentence: str
    answers: list[TrialAnswer]
    confounders: list[Confounder]


@dataclass(frozen=True, slots=True)
class HeldAdvice:
    """Advice that waits while a trial runs."""

    code: str
    title: str
    since: datetime


@dataclass(frozen=True, slots=True)
class Trial:
    """A trial.

    Attributes:
        state: ``running``, ``judged``, ``ended`` or ``broken-off``.
        change: what was changed, from the log.
        entries: ids of the log entries of the change.
        judgement: only where one trial was asked for.
    """

    id: str
    tank: str
    question: str
    state: str
    begun: datetime
    look_again: datetime
    watched: list[str]
    change: str
    entries: list[str]
    by: str
    created: datetime | None
    ended: datetime | None
    reason: str
    held: list[HeldAdvice]
    judgement: Judgement | None = None


class Trials(Connection):
    """What is tried in tanks."""

    def trials(self, tank: str, *, state: str | None = None) -> list[Trial]:
        """The trials of a tank, the last begun first, without their judgements."""
        pages = self._pages(tank_path(tank, "trials"), options_of(state=state))
        return [value_of(Trial, one) for page in pages for one in page["trials"]]

    def watchable(self, tank: str) -> list[Watchable]:
        """What can be watched of a tank."""
        found = self.get(tank_path(tank, "trials"))["watchable"]
        return [value_of(Watchable, one) for one in found]

    def trial(self, tank: str, trial: str) -> Trial:
        """One trial, with its result; of a running one so far."""
        return value_of(Trial, self.get(_path(tank, trial)))

    def begin_trial(
        self,
        tank: str,
        question: str,
        watched: Sequence[str],
        *,
        look_again: datetime | None = None,
        length: str | None = None,
        begun: datetime | None = None,
        entries: Sequence[str] | None = None,
        by: str = "",
    ) -> Trial:
        """Begin a trial.

        Args:
            watched: names of ``watchable``.
            look_again: when to judge it, or how long after the change: ``14d``.
            begun: when the change was made; default: as its log entries say, else now.
            entries: ids of the log entries of the change; default: the newest adjustment or
                replant of the last day.
        """
        body = {
            "question": question,
            "watched": list(watched),
            "look_again": text_of(look_again),
            "length": length,
            "begun": text_of(begun),
            "entries": None if entries is None else list(entries),
            "by": by or None,
        }
        sent = {name: value for name, value in body.items() if value is not None}
        return value_of(Trial, self.send("POST", tank_path(tank, "trials"), sent))

    def change_trial(
        self,
        tank: str,
        trial: str,
        *,
        question: str | None = None,
        watched: Sequence[str] | None = None,
        look_again: datetime | None = None,
    ) -> Trial:
        """Change question, date or what is watched of a running trial."""
        body = {
            "question": question,
            "watched": None if watched is None else list(watched),
            "look_again": text_of(look_again),
        }
        sent = {name: value for name, value in body.items() if value is not None}
        return value_of(Trial, self.send("PATCH", _path(tank, trial), sent))

    def judge_trial(self, tank: str, trial: str) -> Trial:
        """Judge a trial now for good, before its date."""
        return value_of(Trial, self.send("POST", _path(tank, trial, "/judge"), None))

    def end_trial(self, tank: str, trial: str, reason: str = "") -> Trial:
        """End a trial before its date."""
        return value_of(Trial, self.send("POST", _path(tank, trial, "/end"), {"reason": reason}))

    def delete_trial(self, tank: str, trial: str) -> None:
        """Delete a trial; the change itself stays."""
        self._response("DELETE", _path(tank, trial))


def _path(tank: str, trial: str, rest: str = "") -> str:
    return tank_path(tank, f"trials/{quote(trial, safe='')}{rest}")
