"""JSON merge patch, RFC 7386."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

PATCHED: Final = ("Tank",)
"""The schemas of which a merge patch is taken; that of each is named ``…Patch`` in the document."""

_REFERENCE: Final = "#/components/schemas/"


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


def patch_schema(schema: Mapping[str, Any], schemas: Mapping[str, Any]) -> dict[str, Any]:
    """The JSON schema of a merge patch: any of the members, each also null, objects in part.

    Args:
        schema: of the whole.
        schemas: by name, those that it refers to.
    """
    members = {
        name: _member(one, schemas)
        for name, one in schema["properties"].items()
        if not one.get("readOnly")
    }
    return {"type": "object", "properties": members, "additionalProperties": False}


def _member(schema: Mapping[str, Any], schemas: Mapping[str, Any]) -> dict[str, Any]:
    about = {word: schema[word] for word in ("description",) if word in schema}
    choices = [one for one in schema.get("anyOf", [schema]) if one.get("type") != "null"]
    found = []
    for one in choices:
        name = str(one.get("$ref", "")).removeprefix(_REFERENCE)
        whole = schemas[name] if name else one
        members = whole.get("properties", {})
        in_part = bool(members) and "unit" not in members  # a value and its unit go together
        rest = {word: rule for word, rule in one.items() if word != "description"}
        found.append(patch_schema(whole, schemas) if in_part else rest)
    return {**about, "anyOf": [*found, {"type": "null"}]}
