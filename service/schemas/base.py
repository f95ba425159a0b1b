"""The base of all schemas: unknown members are refused, members stay in their order."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from operator import attrgetter
from types import MappingProxyType
from typing import Any, ClassVar, Final, NamedTuple, Self

import marshmallow as ma
from marshmallow.decorators import POST_DUMP, PRE_DUMP

from service.errors import Refusal
from service.schemas.fields import MISSING
from service.schemas.ranges import Range

_UNKNOWN_NAMED: Final = 50


class CountRefusal(Refusal):
    """What is wrong with how many items or members there are."""

    def __new__(cls, count: int, what: str, allowed: str) -> Self:
        """The text from how many there are and may be."""
        made = str.__new__(cls, f"has {count} {what}; allowed: {allowed}")
        made.value, made.allowed = count, allowed
        return made


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
    """A JSON object; a member that it does not know is an error that lists those it knows.

    Attributes:
        only_written: no JSON is read by it.
        json_schema: what JSON Schema can say of the object beside its members, such as which of
            them exclude each other.
    """

    only_written: ClassVar[bool] = False
    json_schema: ClassVar[Mapping[str, Any]] = MappingProxyType({})

    class Meta:
        unknown = ma.RAISE

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self._members: list[_Member] = []
        self._members_of: Mapping[str, ma.fields.Field[Any]] | None = None
        known = ", ".join(field.data_key or name for name, field in self.load_fields.items())
        self._known = known or "nothing"
        self.error_messages["unknown"] = f"is not known; allowed: {self._known}"

    @ma.pre_load
    def _check_object(self, data: Any, **_: Any) -> Any:
        """Refuse what is no object, and one of more members than an error would name."""
        if not isinstance(data, Mapping):
            raise ma.ValidationError([Refusal(data, "a JSON object")])
        if self.unknown == ma.RAISE and len(data) > len(self.fields) + _UNKNOWN_NAMED:
            raise ma.ValidationError([CountRefusal(len(data), "members", self._known)])
        return data

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
    """A member that is an object of its own; ``label`` is what a form calls it."""

    def __init__(
        self, nested: type[ma.Schema], doc: str = "", *, label: str = "", **kwargs: Any
    ) -> None:
        if doc:
            kwargs["metadata"] = {"description": doc}
        super().__init__(nested, **kwargs)
        self.doc, self.label = doc, label
        self.error_messages["required"] = MISSING

    def make_error(self, key: str, **kwargs: Any) -> ma.ValidationError:
        """The refusal for one of marshmallow's own reasons."""
        if key == "null":
            return ma.ValidationError([Refusal(None, "a JSON object")])
        return super().make_error(key, **kwargs)


class Items(ma.fields.List[Any]):
    """A member that is a list, of ``shortest`` to ``longest`` items on the way in.

    ``label`` is what a form calls one item. The items are counted before any of them is read:
    refusing many costs no more than a few.
    """

    def __init__(
        self,
        item: type[ma.Schema] | ma.fields.Field[Any],
        doc: str = "",
        *,
        longest: int | None = None,
        shortest: int = 0,
        label: str = "",
        **kwargs: Any,
    ) -> None:
        inner = item if isinstance(item, ma.fields.Field) else Nested(item)
        if doc:
            kwargs["metadata"] = {"description": doc}
        super().__init__(inner, **kwargs)
        self.doc, self.label = doc, label
        self.longest, self.shortest = longest, shortest
        self.error_messages["required"] = MISSING

    def make_error(self, key: str, **kwargs: Any) -> ma.ValidationError:
        """The refusal for one of marshmallow's own reasons."""
        if key == "null":
            return ma.ValidationError([Refusal(None, "a JSON array")])
        return super().make_error(key, **kwargs)

    def openapi(self) -> dict[str, Any]:
        """How many items there may be, as JSON Schema."""
        schema = {"minItems": self.shortest} if self.shortest else {}
        return schema if self.longest is None else schema | {"maxItems": self.longest}

    def check(self, items: Any) -> None:
        """Refuse what is no array, too many items and too few; looks at none of them.

        Raises:
            marshmallow.ValidationError: names how many there are and may be.
        """
        if not isinstance(items, Sequence) or isinstance(items, str):
            raise ma.ValidationError([Refusal(items, "a JSON array")])
        most = len(items) if self.longest is None else self.longest
        if not self.shortest <= len(items) <= most:
            least = f"{self.shortest} to" if self.shortest else "up to"
            raise ma.ValidationError([CountRefusal(len(items), "items", f"{least} {most}")])

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> list[Any]:
        self.check(value)
        return super()._deserialize(value, attr, data, **kwargs)
