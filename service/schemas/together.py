"""JSON Schema of members of an object that exclude each other or belong together."""

from __future__ import annotations

from typing import Any

Rule = dict[str, Any]


def exactly_one(*choices: str | tuple[str, ...]) -> Rule:
    """One of some members, or of groups of them, of which all are given."""
    groups = [(one,) if isinstance(one, str) else one for one in choices]
    return {"oneOf": [{"required": list(group)} for group in groups]}


def at_least_one(*choices: str) -> Rule:
    """One of some members, or several of them."""
    return {"anyOf": [{"required": [one]} for one in choices]}


def not_both(one: str, other: str) -> Rule:
    """One of two members, or neither."""
    return {"not": {"required": [one, other]}}


def both_or_neither(one: str, other: str) -> Rule:
    """Two members, or neither."""
    return {"dependentRequired": {one: [other], other: [one]}}


def all_of(*rules: Rule) -> Rule:
    """Several rules at once."""
    return {"allOf": list(rules)}
