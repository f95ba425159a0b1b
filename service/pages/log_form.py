"""The log form as the page shows it: fields of every kind, what was written, what was refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.errors import LittoralError
from service.pages.log_fields import KIND_WORDS, Field, field_at, fields_of, with_given
from service.registry.models import LogKind, Tank


@dataclass(frozen=True, slots=True)
class KindForm:
    """The fields of one kind."""

    kind: LogKind
    words: str
    fields: tuple[Field, ...]
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
        KindForm(
            each,
            words,
            tuple(
                with_given(field, given) if each is kind else field
                for field in fields_of(each, tank)
            ),
            each is kind,
        )
        for each, words in KIND_WORDS.items()
    )
    faults: dict[str, str] = {}
    others = []
    for fault in error.faults if error else ():
        name = field_at(kind, tank, fault.pointer)
        if name:
            faults[name] = fault.detail
        else:
            others.append(fault.detail)
    if error and not error.faults:
        others.append(error.detail)
    return LogForm(kinds, given, faults, tuple(others), given.get("by", by))
