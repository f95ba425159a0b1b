"""JSON merge patch, RFC 7386."""

from __future__ import annotations

from typing import Any


def merged(target: Any, patch: Any) -> Any:
    """The target with a patch applied: members given replace, null removes, others stay.

    Args:
        target, patch: JSON values; neither is changed.
    """
    if not isinstance(patch, dict):
        return patch
    result = dict(target) if isinstance(target, dict) else {}
    for name, value in patch.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = merged(result.get(name), value)
    return result
