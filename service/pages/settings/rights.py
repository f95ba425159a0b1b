"""What a page offers whoever asks for it; what they may do is guarded at the addresses."""

from __future__ import annotations

from flask import g

from service.registry.access import Scope


def may_write() -> bool:
    """Whether to offer what changes a tank."""
    return _covers(Scope.WRITE)


def may_delete() -> bool:
    """Whether to offer deleting a tank."""
    return _covers(Scope.ADMIN)


def _covers(scope: Scope) -> bool:
    caller = g.get("caller")
    return caller is not None and caller.scope.covers(scope)
