"""Options of ``littoral log`` made of the table of fields."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click
from marshmallow import ValidationError

from service.registry.fields.log.entry import LogData
from service.schemas.entry import UNIT_WORDS, is_number, json_of, units_of
from service.schemas.fields import Choice, Field
from service.schemas.messages import messages_of

Option = Callable[[Any], Any]


class FieldParameter(click.ParamType[Any]):
    """The text of one field, as the JSON that the service reads; refused here if it is wrong."""

    name = "text"

    def __init__(self, field: Field) -> None:
        self._field = field

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:
        """How it is shown in the help: words, or a number with the unit of a bare one."""
        if isinstance(self._field, Choice):
            return f"[{'|'.join(self._field.words)}]"
        units = units_of(self._field)
        if units:
            return f"NUMBER[{UNIT_WORDS.get(units[0], units[0])}]"
        return "NUMBER" if is_number(self._field) else "TEXT"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The JSON of the value; a usage error names the value and what is allowed."""
        if not isinstance(value, str):
            return value
        try:
            found = json_of(self._field, value)
            self._field.deserialize(found)
        except ValidationError as error:
            (_, message), *_ = messages_of(error.messages)
            self.fail(f"it {message}", param, ctx)
        return found


def options_of(schema: LogData) -> tuple[Option, ...]:
    """An option for each field of a kind that can be written as one text."""
    return tuple(
        click.option(
            _flag(name),
            name,
            type=FieldParameter(field),
            required=field.required,
            default=field.start,
            show_default=field.start is not None,
            help=field.doc.replace("`", ""),
        )
        for name, field in schema.load_fields.items()
        if isinstance(field, Field)
    )


def data_of(schema: LogData, given: dict[str, Any]) -> dict[str, Any]:
    """The data of an entry from its options.

    Raises:
        click.UsageError: of options that exclude each other not exactly one is given, or of those
            of which at least one is needed none.
    """
    data = {name: value for name, value in given.items() if value is not None}
    together = schema.one_of
    if together is not None and sum(name in data for name in together.names) != 1:
        flags = " and ".join(_flag(name) for name in together.names)
        raise click.UsageError(f"one of {flags} is needed")
    if schema.any_of and not any(name in data for name in schema.any_of):
        flags = ", ".join(_flag(name) for name in schema.any_of)
        raise click.UsageError(f"at least one of {flags} is needed")
    return data


def _flag(name: str) -> str:
    return "--" + name.replace("_", "-")
