"""The log entry of an adjusted valve or timer, for advice that asks for it."""

from __future__ import annotations

from service.advice.engine.recommendation import LogDraft
from service.registry.models.log import Lever, LogKind


def adjustment(lever: Lever, after: str) -> LogDraft:
    """The entry that marking the advice as done leaves; rules then judge the lever anew.

    Args:
        after: what it is now, in words: ``07:40``, ``14 % more``.
    """
    return LogDraft(LogKind.ADJUSTMENT.value, {"lever": lever.value, "after": after})
