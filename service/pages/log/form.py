"""The log form as the page shows it: inputs of every kind, what was written, what was refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from service.errors import LittoralError
from service.pages.inputs import Input
from service.pages.log.fields import KIND_WORDS, input_at, inputs_of
from service.registry.fields.log.entry import EntrySchema
from service.registry.fields.log.kinds import KINDS
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.registry.repositories.log.pictures import FIELD as PICTURE
from service.schemas.entry import label_of


@dataclass(frozen=True, slots=True)
class KindForm:
    """The inputs of one kind.

    Attributes:
        first: what is asked for at once: how much.
        rest: what may be known besides; folded away.
        unfolded: the rest is shown at once, since there is no entry without it.
    """

    kind: LogKind
    words: str
    first: tuple[Input, ...]
    rest: tuple[Input, ...]
    chosen: bool
    unfolded: bool


@dataclass(frozen=True, slots=True)
class LogForm:
    """The whole form.

    Attributes:
        given: what somebody wrote in it.
        faults: name of the input -> what is wrong with it.
        other_faults: what is wrong that belongs to no input.
        by: who writes.
    """

    kinds: tuple[KindForm, ...]
    given: Mapping[str, str]
    faults: Mapping[str, str]
    other_faults: tuple[str, ...]
    by: str

    @property
    def unfolded(self) -> bool:
        """Something that is wrong, or was written, is in what is folded away at first."""
        if any(self.given.get(name) for name in _COMMON if name != "by"):
            return True
        chosen = next(one for one in self.kinds if one.chosen)
        names = {one.name for one in chosen.rest if self.given.get(one.name)} | set(self.faults)
        return chosen.unfolded or bool(names - {one.name for one in chosen.first})


def log_form(
    tank: Tank, kind: LogKind, given: Mapping[str, str], error: LittoralError | None, by: str
) -> LogForm:
    """The form of a tank; parameters as the attributes of ``LogForm``."""
    kinds = tuple(
        _kind_form(each, words, _inputs(each, tank, given if each is kind else {}), each is kind)
        for each, words in KIND_WORDS.items()
    )
    faults: dict[str, str] = {}
    others = [error.detail] if error and not error.faults else []
    inputs = inputs_of(kind, tank)
    for fault in error.faults if error else ():
        one = input_at(inputs, fault.pointer)
        name = fault.pointer.removeprefix("/")
        if name.split("/")[0] == PICTURE:
            number = int(name.partition("/")[2] or 0) + 1
            faults[PICTURE] = fault.renamed(fault.pointer, f"Picture {number}").detail
        elif one is not None:
            faults[one.name] = fault.renamed(fault.pointer, one.label).detail
        elif name in _COMMON:
            faults[name] = fault.renamed(fault.pointer, _COMMON[name]).detail
        else:
            others.append(fault.detail)
    return LogForm(kinds, given, faults, tuple(others), given.get("by", by))


def _kind_form(kind: LogKind, words: str, inputs: tuple[Input, ...], chosen: bool) -> KindForm:
    """The inputs of a kind: an entry is nothing without the first, the others are if known."""
    needed = KINDS[kind].any_of
    first = tuple(one for one in inputs if one.required or one.name in needed) or inputs[:1]
    rest = tuple(one for one in inputs if one not in first)
    return KindForm(kind, words, first, rest, chosen, kind in _UNFOLDED)


def _inputs(kind: LogKind, tank: Tank, given: Mapping[str, str]) -> tuple[Input, ...]:
    return tuple(
        replace(one, start=given.get(one.name, one.start)) for one in inputs_of(kind, tank)
    )


_UNFOLDED: Final = (LogKind.CALIBRATION, LogKind.OBSERVATION)
"""Kinds of which the remark, or the points of a calibration, are what matters."""

_COMMON: Final = {
    name: label_of(name, field)
    for name, field in EntrySchema().fields.items()
    if name in ("time", "by", "note")
}
