"""Marshmallow fields with one wording of refusals and their own description in OpenAPI.

A field states once what a value may be. It refuses what is not allowed on both sides: JSON, when it
is read, and the value of the program, by ``check``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import marshmallow as ma

from service.errors import Refusal

MISSING = "is missing; it is required"
PRINTABLE_LINES: Final = r"^[^\u0000-\u0008\u000b\u000c\u000e-\u001f\u007f-\u009f]*$"
PRINTABLE_LINE: Final = r"^[^\u0000-\u001f\u007f-\u009f]*$"
"""Text without control characters, as JSON Schema can say it."""

NEAREST: Final = 1e-9
"""How near a number may come to a limit that it must exceed: nearer, it would divide by next to
nothing."""
_MOST_DIGITS = len(str(2**53))


class Field(ma.fields.Field[Any]):
    """A field with what it allows, for errors, forms and OpenAPI.

    Attributes:
        doc: help text, a sentence.
        label: what a form calls it, without the unit; by default made of the field's name.
        hint: a few words under the input of a form.
        example: a value as JSON.
        start: what a form offers at first, as JSON.
        allowed: what is allowed as JSON, in words.
        json_schema: JSON Schema of the values.
    """

    allowed = ""
    json_schema: Mapping[str, Any] = {}

    def __init__(
        self,
        doc: str = "",
        *,
        label: str = "",
        hint: str = "",
        example: Any = None,
        start: Any = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(**kwargs)
        self.doc = doc
        self.label = label
        self.hint = hint
        self.example = example
        self.start = start
        self.error_messages["required"] = MISSING

    def make_error(self, key: str, **kwargs: Any) -> ma.ValidationError:
        """The refusal for one of marshmallow's own reasons."""
        return self.refuse(None) if key == "null" else super().make_error(key, **kwargs)

    def openapi(self) -> dict[str, Any]:
        """The JSON Schema of the field's values."""
        schema = dict(self.json_schema)
        if self.doc:
            schema["description"] = self.doc
        if self.example is not None:
            schema["examples"] = [self.example]
        if self.allow_none and isinstance(schema.get("type"), str):
            schema["type"] = [schema["type"], "null"]
            if "enum" in schema:
                schema["enum"] = [*schema["enum"], None]
        return schema

    @property
    def only_written(self) -> bool:
        """Whether no JSON of it is read."""
        return bool(self.dump_only) or bool(getattr(self.parent, "only_written", False))

    def refuse(self, value: object) -> ma.ValidationError:
        """The refusal of a value."""
        return ma.ValidationError([Refusal(value, self.allowed)])

    @property
    def allowed_value(self) -> str:
        """What is allowed as a value of the program, in words."""
        return self.allowed

    def check(self, value: Any) -> None:
        """Refuse a value of the program that is not allowed.

        Raises:
            marshmallow.ValidationError: as for JSON.
        """
        if value is not None or not self.allow_none:
            self._check(value)

    def _check(self, value: Any) -> None:
        """Where values look the same in JSON, reading them is the check."""
        self.deserialize(value)


class Number(Field):
    """A finite JSON number within limits."""

    def __init__(
        self,
        doc: str = "",
        *,
        low: float | None = None,
        high: float | None = None,
        above: float | None = None,
        **kwargs: Any,
    ) -> None:
        self.low, self.high, self.above = low, high, above
        self.allowed = "a number" + limits_text(low, high, above)
        super().__init__(doc, **kwargs)

    def openapi(self) -> dict[str, Any]:
        schema = super().openapi()
        least = None if self.above is None else self.above + NEAREST
        limits = {"minimum": self.low, "maximum": self.high, "exclusiveMinimum": least}
        schema["type"] = ["number", "null"] if self.allow_none else "number"
        return schema | {key: limit for key, limit in limits.items() if limit is not None}

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> float:
        number = finite(value)
        if number is None or not within(number, self.low, self.high, self.above):
            raise self.refuse(value)
        return number


class Whole(Field):
    """A whole number within limits; ``text`` where it comes as text, in a query."""

    def __init__(
        self, doc: str = "", *, low: int, high: int, text: bool = False, **kwargs: Any
    ) -> None:
        self.low, self.high, self.text = low, high, text
        self.allowed = "a whole number" + limits_text(low, high, None)
        self.json_schema = {"type": "integer", "minimum": low, "maximum": high}
        super().__init__(doc, **kwargs)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> int:
        if self.text and isinstance(value, str):
            digits = value.isascii() and value.isdigit() and len(value) <= _MOST_DIGITS
            value = int(value) if digits else value
        number = finite(value)
        if number is None or number != int(number) or not self.low <= number <= self.high:
            raise self.refuse(value)
        return int(number)


class Text(Field):
    """Text without control characters."""

    def __init__(
        self,
        doc: str = "",
        *,
        longest: int = 200,
        shortest: int = 0,
        lines: bool = False,
        **kwargs: Any,
    ) -> None:
        self.longest, self.shortest, self.lines = longest, shortest, lines
        self.allowed = (
            f"{'text' if lines else 'one line'} of {shortest} to {longest} printable characters"
        )
        self.json_schema = {"type": "string", "maxLength": longest}
        if shortest:
            self.json_schema["minLength"] = shortest
        self.json_schema["pattern"] = PRINTABLE_LINES if lines else PRINTABLE_LINE
        super().__init__(doc, **kwargs)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> str:
        if not isinstance(value, str) or len(value) > self.longest:
            raise self.refuse(value)
        if len(value.strip()) < self.shortest:
            raise self.refuse(value)
        if any(is_control(character, self.lines) for character in value):
            raise self.refuse(value)
        return value


class Name(Field):
    """A short name in topics and addresses."""

    allowed = "1 to 64 of a-z, 0-9 and -, starting with a letter or digit"
    json_schema: Mapping[str, Any] = {
        "type": "string",
        "pattern": "^[a-z0-9][a-z0-9-]*$",
        "minLength": 1,
        "maxLength": 64,
    }

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> str:
        if not isinstance(value, str) or not is_name(value):
            raise self.refuse(value)
        return value


class Choice(Field):
    """One word of a few.

    Attributes:
        none_words: what a form calls null, where that is allowed.
    """

    def __init__(
        self,
        doc: str = "",
        *,
        words: Sequence[str],
        none_words: str = "not known",
        **kwargs: Any,
    ) -> None:
        self.words = tuple(words)
        self.none_words = none_words
        self.allowed = ", ".join(self.words)
        self.json_schema = {"type": "string", "enum": list(self.words)}
        super().__init__(doc, **kwargs)

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> str | None:
        return None if value is None else str(value)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> str:
        if not isinstance(value, str) or value not in self.words:
            raise self.refuse(value)
        return value


class YesNo(Field):
    """A JSON boolean; in a query the word true or false."""

    allowed = "true or false"
    json_schema: Mapping[str, Any] = {"type": "boolean"}

    def __init__(self, doc: str = "", *, text: bool = False, **kwargs: Any) -> None:
        self.text = text
        super().__init__(doc, **kwargs)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> bool:
        if self.text:
            value = {"true": True, "false": False}.get(value, value)
        if not isinstance(value, bool):
            raise self.refuse(value)
        return value


def finite(value: object) -> float | None:
    """The float of a finite JSON number; None for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def within(number: float, low: float | None, high: float | None, above: float | None) -> bool:
    """Whether a number lies within inclusive ``low``, ``high`` and well above ``above``."""
    return not (
        (low is not None and number < low)
        or (high is not None and number > high)
        or (above is not None and number <= above + NEAREST)
    )


def limits_text(low: float | None, high: float | None, above: float | None, unit: str = "") -> str:
    """The limits of a number for a message, with a leading blank; empty without limits."""
    end = f" {unit}" if unit else ""
    if above is not None:
        upper = f" and up to {high:.10g}" if high is not None else ""
        return f" above {above:.10g}{upper}{end}"
    if low is not None and high is not None:
        return f" from {low:.10g} to {high:.10g}{end}"
    if low is not None:
        return f" from {low:.10g}{end}"
    return f" up to {high:.10g}{end}" if high is not None else ""


def is_name(text: str) -> bool:
    """Whether a text is a short name: a-z, 0-9 and -."""
    return (
        0 < len(text) <= 64
        and text[0] != "-"
        and all(c in "abcdefghijklmnopqrstuvwxyz0123456789-" for c in text)
    )


def is_control(character: str, lines: bool) -> bool:
    """Whether a character is not printable; in text of several lines tab and line ends are."""
    code = ord(character)
    if lines and character in "\n\r\t":
        return False
    return code < 0x20 or 0x7F <= code < 0xA0 or 0xD800 <= code < 0xE000
