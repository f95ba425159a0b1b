"""Fields of the log that every entry has, and the base of what belongs to each kind."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from service.errors import LEFT_OUT, Refusal
from service.registry.fields.limits import NAME_LENGTH, NOTE_LENGTH
from service.schemas.base import Schema
from service.schemas.fields import Name, Text
from service.schemas.times import Moment
from service.schemas.together import at_least_one, exactly_one


@dataclass(frozen=True, slots=True)
class OneOf:
    """Fields of which an entry has exactly one; a form asks for them in one place.

    Attributes:
        label: what a form calls them together.
        names: of the fields.
    """

    label: str
    names: tuple[str, ...]


class EntrySchema(Schema):
    """What every log entry has."""

    id = Name("Given by the service, or by who may have to send the entry twice.")
    tank = Name(dump_only=True)
    time = Moment("When it was done; default: now.", label="When")
    note = Text(label="Remark", longest=NOTE_LENGTH, lines=True)
    by = Text("Who did it.", label="By", longest=NAME_LENGTH)
    recorded = Moment("When it was written down; null: not known.", dump_only=True, allow_none=True)


class LogData(Schema):
    """What belongs to one kind of entry.

    Attributes:
        label: the kind, for people.
        one_of: fields of which there is exactly one.
        any_of: fields of which there is at least one.
        converted: fields that become another one before they are stored.
        asked: the fields that a form asks for; None: all.
    """

    label: ClassVar[str]
    one_of: ClassVar[OneOf | None] = None
    any_of: ClassVar[tuple[str, ...]] = ()
    converted: ClassVar[frozenset[str]] = frozenset()
    asked: ClassVar[tuple[str, ...] | None] = None

    def __init_subclass__(cls, **kwargs: Any) -> None:
        super().__init_subclass__(**kwargs)
        if cls.one_of is not None and cls.converted:
            cls.json_schema = at_least_one(*cls.one_of.names)  # an answer has what it was made of
        elif cls.one_of is not None:
            cls.json_schema = exactly_one(*cls.one_of.names)
        elif cls.any_of:
            cls.json_schema = at_least_one(*cls.any_of)

    @classmethod
    def required(cls) -> bool:
        """Whether an entry of the kind is nothing without data."""
        fields = cls().fields.values()
        alternatives = cls.one_of is not None or bool(cls.any_of)
        return alternatives or any(field.required for field in fields)

    @property
    def stored(self) -> dict[str, str]:
        """Name in JSON by the key under which it is stored."""
        return {
            field.attribute or name: name
            for name, field in self.fields.items()
            if name not in self.converted
        }

    def contradictions(self, data: Mapping[str, Any]) -> dict[str, Any]:
        """What is wrong between fields: messages by the fields' names."""
        names = self.any_of if self.one_of is None else self.one_of.names
        if not names:
            return {}
        keys = [self.fields[name].attribute or name for name in names]
        given = sum(key in data for key in keys)
        if self.one_of is None and not given:
            return {names[0]: [Refusal(LEFT_OUT, f"at least one of {', '.join(names)}")]}
        if self.one_of is None or given == 1:
            return {}
        others = " or ".join(names[1:])
        return {names[0]: [Refusal(data.get(keys[0], LEFT_OUT), f"this or {others}, one of them")]}
