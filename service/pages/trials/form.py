"""The form that begins a trial: what was changed, what to watch, when to look again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any, Final

from werkzeug.datastructures import MultiDict

from service.advice.handover.absence import written_moment
from service.advice.trials.begin import recent_change
from service.derive.watched.values import Watched, watchable
from service.errors import FieldFault, LittoralError, Refusal
from service.pages.local_time import LocalTime
from service.registry.fields.trial import USUAL_LENGTH
from service.registry.log.entry_text import entry_text
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Tank
from service.registry.registry import Registry

_USUAL: Final[Mapping[str, tuple[str, ...]]] = {
    "gas-flow": ("co2-at-lights-on", "co2-within-target"),
    "gas-times": ("co2-at-lights-on", "co2-within-target"),
    "light-hours": ("dli", "co2-within-target"),
    "light-strength": ("dli", "co2-within-target"),
    "heat": ("temperature-excursions",),
    "water": ("co2-night-low",),
    "dose": ("seen-threads", "seen-tufts"),
}
"""What is ticked at first, by the lever that was moved. Our choice."""

_OTHERS: Final = ("co2-within-target", "dli")

_LABELS: Final[Mapping[str, str]] = {
    "question": "What you want to know",
    "watched": "What is watched",
    "look_again": "Look again on",
    "begun": "Day of the change",
    "entries": "The change",
    "by": "Who",
}

FIELDS: Final = tuple(_LABELS)


@dataclass(frozen=True, slots=True)
class TrialForm:
    """The form.

    Attributes:
        change: the log entries that are tried, oldest first.
        given: texts by the names of the inputs.
        groups: what can be watched, each group under its title.
        chosen: names that are ticked.
        faults: name of an input -> what is wrong with it.
        others: what is wrong that belongs to no input.
    """

    change: tuple[LogEntry, ...]
    given: Mapping[str, str]
    groups: tuple[tuple[str, tuple[Watched, ...]], ...]
    chosen: frozenset[str]
    faults: Mapping[str, str] = field(default_factory=dict)
    others: tuple[str, ...] = ()

    @property
    def change_words(self) -> str:
        """The change in words."""
        return "; ".join(entry_text(one) for one in self.change)


def untried_change(registry: Registry, tank: Tank, local_time: LocalTime) -> tuple[LogEntry, ...]:
    """The newest change of the last day that no trial has; none where there is no such."""
    taken = {id for one in registry.trials(tank.id) for id in one.entries}
    log = registry.log(tank.id, start=local_time.now - timedelta(days=1))
    return recent_change([one for one in log if one.id not in taken], local_time.now)


def trial_form(
    tank: Tank,
    change: Sequence[LogEntry],
    local_time: LocalTime,
    *,
    sent: MultiDict[str, str] | None = None,
    error: LittoralError | None = None,
) -> TrialForm:
    """The form, at first or with what was sent and what is wrong with it."""
    offered = watchable(tank)
    names = {one.name for one in offered}
    begun = min((one.time for one in change), default=local_time.now)
    if sent is None:
        chosen = frozenset(name for name in _usual(change) if name in names)
        given = {
            "question": _question(change),
            "look_again": local_time.date_field(begun + USUAL_LENGTH),
            "begun": "" if change else local_time.date_field(begun),
            "by": "",
        }
    else:
        chosen = frozenset(sent.getlist("watched"))
        given = {name: sent.get(name, "") for name in FIELDS}
    faults, others = _faults(error, given, chosen - names)
    groups = (
        ("Measured", tuple(one for one in offered if not one.name.startswith(("seen", "est")))),
        ("Seen, from 0 to 5", tuple(one for one in offered if one.name.startswith("seen"))),
        ("Estimated", tuple(one for one in offered if one.name.startswith("est"))),
    )
    return TrialForm(tuple(change), given, groups, chosen, faults, others)


def asked_of(sent: MultiDict[str, str], tank: Tank) -> dict[str, Any]:
    """What a form asks ``begin_trial`` for.

    Raises:
        InvalidInputError: a day is none.
    """
    entries = sent.getlist("entries")
    begun = sent.get("begun", "").strip()
    return {
        "question": sent.get("question", ""),
        "watched": sent.getlist("watched"),
        "look_again": written_moment("look_again", sent.get("look_again", ""), tank.time_zone),
        "begun": written_moment("begun", begun, tank.time_zone) if begun else None,
        "entries": entries,
        "by": sent.get("by", ""),
    }


def _usual(change: Sequence[LogEntry]) -> tuple[str, ...]:
    levers = [str(one.data.get("lever", "")) for one in change]
    return next((_USUAL[lever] for lever in levers if lever in _USUAL), _OTHERS)


def _question(change: Sequence[LogEntry]) -> str:
    words = [
        entry_text(one).removeprefix("Adjustment, ")
        if one.kind is LogKind.ADJUSTMENT
        else entry_text(one)
        for one in change
    ]
    return "; ".join(words)[:200]


def _faults(
    error: LittoralError | None, given: Mapping[str, str], unknown: frozenset[str]
) -> tuple[dict[str, str], tuple[str, ...]]:
    """What is wrong with each input, in the words of the form; and what belongs to none."""
    faults: dict[str, str] = {}
    others = [error.detail] if error is not None and not error.faults else []
    for fault in error.faults if error is not None else ():
        name = fault.pointer.lstrip("/?").split("/")[0]
        if name in FIELDS:
            words = _watched_fault(unknown) if name == "watched" else _in_words(name, fault, given)
            faults.setdefault(name, words)
        else:
            others.append(fault.detail)
    return faults, tuple(others)


def _in_words(name: str, fault: FieldFault, given: Mapping[str, str]) -> str:
    """What is wrong with the text that was given, not with the moment that was made of it."""
    label = _LABELS[name]
    if not fault.allowed:
        return fault.renamed(fault.pointer, label).detail
    return FieldFault.of(fault.pointer, Refusal(given[name], fault.allowed), label).detail


def _watched_fault(unknown: frozenset[str]) -> str:
    if not unknown:
        return "Tick at least one thing to watch."
    names = ", ".join(repr(name[:40]) for name in sorted(unknown)[:3])
    return f"{names} can't be watched in this tank. Choose below."
