"""What a page offers whoever asks for it; what they may do is guarded at the addresses."""

from __future__ import annotations

from service.api.http.access.auth import scope_of_visitor
from service.registry.models.access import Scope


def may_write() -> bool:
    """Whether to offer what changes a tank."""
    return _covers(Scope.WRITE)


def may_delete() -> bool:
    """Whether to offer deleting a tank."""
    return _covers(Scope.ADMIN)


def _covers(scope: Scope) -> bool:
    visitor = scope_of_visitor()
    return visitor is not None and visitor.covers(scope)
