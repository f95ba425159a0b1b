"""The base of all schemas: unknown members are refused, members stay in their order."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from operator import attrgetter
from types import MappingProxyType
from typing import Any, NamedTuple

import marshmallow as ma
from marshmallow.decorators import POST_DUMP, PRE_DUMP

from service.errors import Refusal
from service.schemas.fields import MISSING
from service.schemas.ranges import Range


class _Member(NamedTuple):
    """How a schema writes a member.

    Attributes:
        key: its name in JSON.
        read: gets the attribute of a value; None where the field itself must.
        write: makes the JSON of it; None where it is JSON already.
    """

    name: str
    field: ma.fields.Field[Any]
    key: str
    attribute: str
    read: Callable[[Any], Any] | None
    write: Callable[[Any, str, Any], Any] | None

    @classmethod
    def of(cls, name: str, field: ma.fields.Field[Any]) -> _Member:
        """The member of a field."""
        attribute, kind, usual = field.attribute or name, type(field), ma.fields.Field
        own = kind.get_value is not usual.get_value or kind.serialize is not usual.serialize
        read = None if own else attrgetter(attribute)
        write = None if kind._serialize is usual._serialize else field._serialize
        return cls(name, field, field.data_key or name, attribute, read, write)


class Schema(ma.Schema):
    """A JSON object; a member that it does not know is an error that lists those it knows."""

    class Meta:
        unknown = ma.RAISE

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self._members: list[_Member] = []
        self._members_of: Mapping[str, ma.fields.Field[Any]] | None = None
        known = ", ".join(field.data_key or name for name, field in self.load_fields.items())
        self.error_messages["unknown"] = f"is not known; allowed: {known or 'nothing'}"
        self.error_messages["type"] = "is not a JSON object"

    def dump(self, obj: Any, *, many: bool | None = None) -> Any:
        """The JSON of a value, as marshmallow writes it.

        A member that is an attribute or an item is read without the calls that marshmallow makes
        for it, which are most of the time that an answer takes.
        """
        if many or self.many or self._hooks[PRE_DUMP] or self._hooks[POST_DUMP]:
            return super().dump(obj, many=many)
        if self._members_of is not self.dump_fields:
            self._members = [_Member.of(*one) for one in self.dump_fields.items()]
            self._members_of = self.dump_fields
        item = type(obj) is dict
        plain = item or not hasattr(type(obj), "__getitem__")
        shown: dict[str, Any] = {}
        for name, field, key, attribute, read, write in self._members:
            if plain and read is not None:
                try:
                    value = obj[attribute] if item else read(obj)
                except (AttributeError, KeyError):
                    value = field.serialize(name, obj, accessor=self.get_attribute)
                else:
                    if write is not None:
                        value = write(value, name, obj)
            else:
                value = field.serialize(name, obj, accessor=self.get_attribute)
            if value is not ma.missing:
                shown[key] = value
        return shown

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
