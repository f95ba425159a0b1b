"""Fields of the configuration's schemas: each with what is allowed in words."""

from __future__ import annotations

from typing import Any, TypedDict, Unpack

from marshmallow import Schema, post_load
from marshmallow import fields as f
from marshmallow.validate import Length, OneOf, Range, Regexp

TOPIC_LEVELS = r"[^+#\s/]+(/[^+#\s/]+)*"


class Words(TypedDict, total=False):
    """What ``littoral init`` writes beside a key.

    Attributes:
        about: what it is for, a few words.
        example: a value, where the default is none or says too little.
    """

    about: str
    example: object


def in_words(allowed: str, words: Words) -> dict[str, object]:
    """The metadata of a field: what is allowed, what it is for."""
    return {"allowed": allowed, **words}


class Section(Schema):
    """A table of the file; unknown keys are refused, as marshmallow does by default."""

    target: type[Any]

    @post_load
    def _build(self, data: dict[str, Any], **_: Any) -> Any:
        return self.target(**data)


class WholeNumber(f.Integer):
    """An integer, also as the text of an environment variable; 1.5 is not cut off to 1."""

    def _validated(self, value: Any) -> int:
        if isinstance(value, float):
            raise self.make_error("invalid", input=value)
        return super()._validated(value)


def whole_text(pattern: str) -> Regexp:
    """A validator: the pattern matches the text as a whole."""
    return Regexp(rf"(?:{pattern})\Z")  # marshmallow matches only the beginning


def text(
    allowed: str,
    pattern: str | None = None,
    *,
    none: bool = False,
    required: bool = False,
    **words: Unpack[Words],
) -> f.String:
    """A text that is not empty, or that matches a pattern."""
    checks = [whole_text(pattern)] if pattern else [Length(min=1)]
    return f.String(
        validate=checks, allow_none=none, required=required, metadata=in_words(allowed, words)
    )


def number(low: float, high: float, unit: str, **words: Unpack[Words]) -> f.Float:
    """A finite number within limits."""
    allowed = f"a number from {low:g} to {high:g} {unit}"
    return f.Float(validate=Range(low, high), metadata=in_words(allowed, words))


def whole_number(low: int, high: int, **words: Unpack[Words]) -> WholeNumber:
    """A whole number within limits."""
    return WholeNumber(
        validate=Range(low, high),
        metadata=in_words(f"a whole number from {low} to {high}", words),
    )


def one_of(*choices: str, required: bool = False, **words: Unpack[Words]) -> f.String:
    """One of some words."""
    return f.String(
        validate=OneOf(choices),
        required=required,
        metadata=in_words(", ".join(f'"{choice}"' for choice in choices), words),
    )
