"""What a person typed while somebody else changed the tank: neither is overwritten."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from service.pages.settings.questions import Node, Question, Rows, questions_in

WAS: Final = "was"
"""Name of the input with what the form showed at first, as JSON."""


@dataclass(frozen=True, slots=True)
class Kept:
    """What is left of a form.

    Attributes:
        texts: only those that the person changed.
        faults: name of a question -> what somebody else made of it meanwhile.
        others: lists whose rows are not the same any more, in words.
    """

    texts: Mapping[str, str]
    faults: Mapping[str, tuple[str, ...]]
    others: tuple[str, ...]


def shown_texts(nodes: Sequence[Node]) -> str:
    """What the inputs of a form show of what is stored, as JSON for the form to carry."""
    return json.dumps(_shown(nodes), separators=(",", ":"))


def _shown(nodes: Sequence[Node]) -> dict[str, str]:
    found = {}
    for one in questions_in(nodes):
        for box, text in zip(one.boxes, one.shown(one.unit), strict=True):
            found[box.name] = text
        if one.units:
            found[one.unit_name] = one.unit
    return found


def kept(nodes: Sequence[Node], given: Mapping[str, str]) -> Kept:
    """Take what was typed apart from what was only shown.

    Args:
        nodes: the form for what is stored now.
        given: as it was sent.
    """
    was = _read(given.get(WAS, ""))
    now = _shown(nodes)
    texts = {name: text for name, text in given.items() if was.get(name) != text}
    others = []
    for rows in (one for one in _lists(nodes) if _changed(one.name, was, now)):
        others.append(f"{rows.label} were changed meanwhile: enter your change to them again")
        texts = {name: text for name, text in texts.items() if not _inside(rows.name, name)}
    faults = {
        one.name: (f"{one.label} was changed meanwhile, to {_words(one)}",)
        for one in questions_in(nodes)
        for box in one.boxes
        if box.name in texts and box.name in was and was[box.name] != now[box.name]
    }
    return Kept(texts, faults, tuple(others))


def _lists(nodes: Sequence[Node]) -> list[Rows]:
    found = [one for one in nodes if isinstance(one, Rows)]
    for one in nodes:
        if not isinstance(one, Rows | Question):
            found += _lists((*one.nodes, *one.folded))
    return found


def _changed(name: str, was: Mapping[str, str], now: Mapping[str, str]) -> bool:
    """Whether the rows of a list are others than the form showed."""
    before, after = (
        {key: text for key, text in texts.items() if text and _inside(name, key)}
        for texts in (was, now)
    )
    return before != after


def _inside(name: str, key: str) -> bool:
    return key.startswith(f"{name}.") and not key.endswith("_unit")


def _words(question: Question) -> str:
    texts = question.shown(question.unit)
    return "–".join(texts) if any(texts) else "nothing"


def _read(text: str) -> Mapping[str, Any]:
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}
