"""Conditions that are active, as the ledger has them for the next evaluation."""

from __future__ import annotations

from collections.abc import Iterable

from service.advice.engine.history.lifecycle import key_of, may_last
from service.advice.engine.recommendation import Recommendation
from service.advice.engine.rule import ActiveConditions


def active_conditions(known: Iterable[Recommendation]) -> ActiveConditions:
    """The conditions that may still be active."""
    return frozenset(key_of(one) for one in known if may_last(one))
