"""The base of all schemas: unknown members are refused, members stay in their order."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import marshmallow as ma

from service.errors import Refusal
from service.schemas.fields import MISSING
from service.schemas.ranges import Range


class Schema(ma.Schema):
    """A JSON object; a member that it does not know is an error that lists those it knows."""

    class Meta:
        unknown = ma.RAISE

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        known = ", ".join(field.data_key or name for name, field in self.load_fields.items())
        self.error_messages["unknown"] = f"is not known; allowed: {known or 'nothing'}"
        self.error_messages["type"] = "is not a JSON object"

    def contradictions(self, value: Any) -> dict[str, Any]:
        """What is wrong between fields that are each allowed: messages by the fields' names."""
        return {}

    def name_of(self, attribute: str) -> str:
        """The name in JSON of what is stored under another name."""
        names = {field.attribute or name: name for name, field in self.fields.items()}
        return names.get(attribute, attribute)


class ValueSchema(Schema):
    """The JSON of one frozen dataclass, both ways.

    Members that are only written are ignored on the way in, so that what was read can be sent
    back. ``makes`` is the dataclass; what is left out takes its defaults, or those of ``defaults``.
    """

    makes: type[Any]
    defaults: Mapping[str, Any] = MappingProxyType({})

    @ma.pre_load
    def _without_written_only(self, data: Any, **_: Any) -> Any:
        if not isinstance(data, dict):
            return data
        written_only = {field.data_key or name for name, field in self.dump_fields.items()} - {
            field.data_key or name for name, field in self.load_fields.items()
        }
        return {name: value for name, value in data.items() if name not in written_only}

    @ma.post_load
    def _make(self, data: dict[str, Any], **_: Any) -> Any:
        for name, field in self.load_fields.items():
            attribute = field.attribute or name
            if attribute not in data:
                continue
            if isinstance(field, Range) and field.ends is not None:
                both = data.pop(attribute)
                data.update(zip(field.ends, both or (None, None), strict=True))
            elif isinstance(data[attribute], list):
                data[attribute] = tuple(data[attribute])
        return self.makes(**{**self.defaults, **data})


class Nested(ma.fields.Nested):
    """A member that is an object of its own."""

    def __init__(self, nested: type[ma.Schema], doc: str = "", **kwargs: Any) -> None:
        if doc:
            kwargs["metadata"] = {"description": doc}
        super().__init__(nested, **kwargs)
        self.doc = doc
        self.error_messages["required"] = MISSING

    def make_error(self, key: str, **kwargs: Any) -> ma.ValidationError:
        """The refusal for one of marshmallow's own reasons."""
        if key == "null":
            return ma.ValidationError([Refusal(None, "a JSON object")])
        return super().make_error(key, **kwargs)


class Items(ma.fields.List[Any]):
    """A member that is a list, of at most ``longest`` items on the way in."""

    def __init__(
        self,
        item: type[ma.Schema] | ma.fields.Field[Any],
        doc: str = "",
        *,
        longest: int | None = None,
        **kwargs: Any,
    ) -> None:
        inner = item if isinstance(item, ma.fields.Field) else ma.fields.Nested(item)
        if doc:
            kwargs["metadata"] = {"description": doc}
        if longest is not None:
            kwargs["validate"] = ma.validate.Length(
                max=longest, error=f"has too many items; allowed: at most {longest}"
            )
        super().__init__(inner, **kwargs)
        self.doc = doc
        self.error_messages["required"] = MISSING
        self.error_messages["invalid"] = "is not a JSON array"

    def make_error(self, key: str, **kwargs: Any) -> ma.ValidationError:
        """The refusal for one of marshmallow's own reasons."""
        if key == "null":
            return ma.ValidationError([Refusal(None, "a JSON array")])
        return super().make_error(key, **kwargs)
