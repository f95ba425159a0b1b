"""The log form as the page shows it: inputs of every kind, what was written, what was refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from service.errors import LittoralError
from service.pages.inputs import Input
from service.pages.log.fields import KIND_WORDS, input_at, inputs_of
from service.registry.fields.log_entry import EntrySchema
from service.registry.models import LogKind, Tank
from service.schemas.entry import label_of


@dataclass(frozen=True, slots=True)
class KindForm:
    """The inputs of one kind."""

    kind: LogKind
    words: str
    inputs: tuple[Input, ...]
    chosen: bool


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


def log_form(
    tank: Tank, kind: LogKind, given: Mapping[str, str], error: LittoralError | None, by: str
) -> LogForm:
    """The form of a tank; parameters as the attributes of ``LogForm``."""
    kinds = tuple(
        KindForm(each, words, _inputs(each, tank, given if each is kind else {}), each is kind)
        for each, words in KIND_WORDS.items()
    )
    faults: dict[str, str] = {}
    others = [error.detail] if error and not error.faults else []
    inputs = inputs_of(kind, tank)
    for fault in error.faults if error else ():
        one = input_at(inputs, fault.pointer)
        name = fault.pointer.removeprefix("/")
        if one is not None:
            faults[one.name] = fault.renamed(fault.pointer, one.label).detail
        elif name in _COMMON:
            faults[name] = fault.renamed(fault.pointer, _COMMON[name]).detail
        else:
            others.append(fault.detail)
    return LogForm(kinds, given, faults, tuple(others), given.get("by", by))


def _inputs(kind: LogKind, tank: Tank, given: Mapping[str, str]) -> tuple[Input, ...]:
    return tuple(
        replace(one, start=given.get(one.name, one.start)) for one in inputs_of(kind, tank)
    )


_COMMON: Final = {
    name: label_of(name, field)
    for name, field in EntrySchema().fields.items()
    if name in ("time", "by", "note")
}
