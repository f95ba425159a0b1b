"""Schemas of answers: what they dump always has every member."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import marshmallow as ma

from service.schemas.base import Items, Nested, Schema


class AnswerSchema(Schema):
    """A JSON object of which every member is always there.

    Of a dotted ``attribute`` whose first part is None, the member is null or its ``dump_default``.
    """

    only_written = True

    def on_bind_field(self, field_name: str, field_obj: ma.fields.Field[Any]) -> None:
        """Require the field, for the document."""
        field_obj.required = True

    def get_attribute(self, obj: Any, attr: str, default: Any) -> Any:
        """The attribute that a field writes.

        Raises:
            AttributeError: there is none, nor a default: a defect, which would drop a member.
        """
        found = super().get_attribute(obj, attr, default)
        if found is not ma.missing or self._has_default(attr):
            return found
        head, dot, _ = attr.partition(".")
        if dot and super().get_attribute(obj, head, default) is None:
            return None
        raise AttributeError(f"{type(self).__name__} writes {attr}, which {obj!r:.60} has not")

    def _has_default(self, attr: str) -> bool:
        return any(
            field.dump_default is not ma.missing
            for name, field in self.dump_fields.items()
            if (field.attribute or name) == attr
        )


class Part(Nested):
    """A member that is an object of several attributes of the value that is dumped.

    ``of`` names them: member of the object -> attribute. Where the member may be null or left
    out, it is null if the first of them is None.
    """

    def __init__(
        self, nested: type[ma.Schema], doc: str = "", *, of: Mapping[str, str], **kwargs: Any
    ) -> None:
        self.of = dict(of)
        super().__init__(nested, doc, **kwargs)

    def get_value(self, obj: Any, attr: str, accessor: Any = None, default: Any = None) -> Any:
        """The attributes by the names of the members."""
        found = {name: getattr(obj, attribute) for name, attribute in self.of.items()}
        optional = self.allow_none or not self.required
        return None if optional and next(iter(found.values())) is None else found


class Rows(Items):
    """A list of objects whose members are columns of one value: sequences of one length.

    Column by column, which is several times as fast as an object at a time.
    """

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> list[dict[str, Any]]:
        assert isinstance(self.inner, ma.fields.Nested)
        fields = self.inner.schema.fields
        columns = [
            [field._serialize(one, name, value) for one in field.get_value(value, name, getattr)]
            for name, field in fields.items()
        ]
        return [dict(zip(fields, row, strict=True)) for row in zip(*columns, strict=True)]


class With:
    """A value with further members beside its own attributes."""

    def __init__(self, value: object, **members: object) -> None:
        self._value = value
        self.__dict__.update(members)

    def __getattr__(self, name: str) -> Any:
        """What is no further member: the attribute of the value; None where there is no value."""
        return None if self._value is None else getattr(self._value, name)
