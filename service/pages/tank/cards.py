"""Advice cards: a recommendation with what "Done and log" is filled in with, and why, in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, Final

from markupsafe import Markup

from service.advice.engine.history.done import draft_of
from service.advice.engine.recommendation import Evidence, LogDraft, Recommendation, Severity
from service.advice.reason_words import reason_words
from service.errors import InvalidInputError, LittoralError
from service.pages.inputs import Input
from service.pages.local_time import AT_ONCE, LocalTime
from service.pages.log.fields import data_of, input_at, inputs_of
from service.registry.fields.log.kinds import KINDS
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.schemas.entry import is_number

_NOTHING: Final[Mapping[str, str]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Reason:
    """Why: words, when it was so ("" where they say it, or it is now), and where it is from."""

    words: str
    time: Markup
    source: str


@dataclass(frozen=True, slots=True)
class Refused:
    """A card that was not taken: whose, what was given, and why not."""

    id: str
    given: Mapping[str, str]
    error: LittoralError


@dataclass(frozen=True, slots=True)
class Card:
    """One recommendation as it is shown.

    Attributes:
        open: its text is shown at once.
        inputs: of "Done and log", filled in with the amount.
        log_form: kind of the log form that asks for what does not fit a card; "" where it does.
        logs: marking it as done leaves an entry that says more than that it was done.
        faults: name of the input -> what is wrong with it.
        more: words of what is folded away.
    """

    job: Recommendation
    open: bool
    inputs: tuple[Input, ...]
    log_form: str
    logs: bool
    reasons: tuple[Reason, ...]
    faults: Mapping[str, str] = field(default_factory=lambda: _NOTHING)

    @property
    def more(self) -> str:
        """What opens on the card."""
        count = len(self.job.instruction.cautions)
        cautions = f", {count} caution{'' if count == 1 else 's'}" if count else ""
        return f"How and why{cautions}"


def cards_of(
    tank: Tank, todo: Iterable[Recommendation], local_time: LocalTime, refused: Refused | None
) -> tuple[Card, ...]:
    """The cards of what is open; ``refused`` shows again what was given."""
    return tuple(_card(tank, one, local_time, refused) for one in todo)


def done_data(tank: Tank, one: Recommendation, given: Mapping[str, str]) -> dict[str, Any] | None:
    """What "Done and log" was filled in with, as the entry stores it; None where nothing is asked.

    Raises:
        InvalidInputError: naming every field that is not allowed.
    """
    draft = draft_of(one)
    kind = LogKind(draft.kind)
    inputs = card_inputs(tank, draft)
    if not inputs or not any(each.name in given for each in inputs):
        return None
    texts = _texts(draft)
    for each in inputs:
        texts[each.name] = given.get(each.name, "")
        texts[f"{each.name}_unit"] = given.get(f"{each.name}_unit", "")
    return data_of(kind, tank, texts)


def card_inputs(tank: Tank, draft: LogDraft) -> tuple[Input, ...]:
    """The numbers of an entry: those that are known filled in, those that are asked for empty."""
    kind = LogKind(draft.kind)
    shown, asked = KINDS[kind].dump(dict(draft.data)), set(draft.asks)
    found = []
    for one in inputs_of(kind, tank):
        names = list(dict.fromkeys(one.fields.values()))
        known = [name for name in names if name in shown and is_number(KINDS[kind].fields[name])]
        if known:
            found.append(_filled(one, shown[known[0]]))
        elif asked.intersection(names):
            found.append(replace(one, start="", required=True))
    return tuple(found)


def _filled(one: Input, shown: Any) -> Input:
    """An input with a value in it, its unit chosen."""
    if not isinstance(shown, Mapping):
        return replace(one, start=f"{shown:g}")
    quantity = shown.get("display", shown)
    start, unit = f"{quantity['value']:.3g}", quantity["unit"]
    if quantity["value"] >= 100:
        start = f"{quantity['value']:.0f}"
    if one.unit_choices is None or unit not in one.unit_choices:
        return replace(one, start=start)
    first = {unit: one.unit_choices[unit]}
    return replace(one, start=start, unit_choices={**first, **one.unit_choices})


def _texts(draft: LogDraft) -> dict[str, str]:
    """What is known of an entry beside its numbers, as a form gives it."""
    shown = KINDS[LogKind(draft.kind)].dump(dict(draft.data))
    return {name: value for name, value in shown.items() if isinstance(value, str)}


def _card(tank: Tank, one: Recommendation, local_time: LocalTime, refused: Refused | None) -> Card:
    draft = draft_of(one)
    inputs = card_inputs(tank, draft)
    asked = {name for each in inputs for name in each.fields.values()}
    made = Card(
        one,
        one.finding.severity is Severity.URGENT,
        inputs,
        draft.kind if not asked.issuperset(draft.asks) else "",
        draft.kind != LogKind.OBSERVATION.value,
        tuple(_reason(each, local_time) for each in one.instruction.reasons),
    )
    if refused is None or refused.id != one.id:
        return made
    given = refused.given
    kept = tuple(replace(each, start=given.get(each.name, each.start)) for each in inputs)
    return replace(made, inputs=kept, faults=_faults(inputs, refused.error))


def _faults(inputs: tuple[Input, ...], error: LittoralError) -> Mapping[str, str]:
    """What is wrong by the name of the input; the first one takes what belongs to none."""
    found: dict[str, str] = {}
    if not isinstance(error, InvalidInputError) or not inputs:
        return found
    for fault in error.faults:
        one = input_at(inputs, fault.pointer) or inputs[0]
        found[one.name] = fault.renamed(fault.pointer, one.label).detail
    return found


def _reason(one: Evidence, local_time: LocalTime) -> Reason:
    moment = one.time
    if moment is None or abs(moment - local_time.now) < AT_ONCE:
        return Reason(reason_words(one), Markup(""), one.source)
    said = f"{local_time.local(moment):%H:%M}" in one.text
    return Reason(reason_words(one), Markup("") if said else local_time.at(moment), one.source)
