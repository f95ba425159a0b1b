"""Members that nobody foresaw: free facts, and any JSON, within reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import marshmallow as ma

from service.errors import Refusal
from service.schemas.fields import PRINTABLE_LINE, PRINTABLE_LINES, Field, Text, finite, is_control

DEPTH: Final = 4
ITEMS: Final = 200
LARGEST: Final = 1e300
_NAME: Final = Text(shortest=1, longest=200)
_TEXT: Final = Text(longest=10_000, lines=True)


class Facts(Field):
    """A JSON object of free facts: names to numbers, text, true or false.

    Programs that write to the registry themselves may nest facts.

    Attributes:
        usual: names that a form asks for.
    """

    most = 50
    longest = 500
    allowed = f"an object of up to {most} names with a number, a text, true or false each"
    json_schema: Mapping[str, Any] = {
        "type": "object",
        "additionalProperties": {
            "type": ["number", "string", "boolean", "null"],
            "minimum": -LARGEST,
            "maximum": LARGEST,
            "maxLength": longest,
            "pattern": PRINTABLE_LINES,
        },
        "propertyNames": {"minLength": 1, "maxLength": 200, "pattern": PRINTABLE_LINE},
        "maxProperties": most,
    }

    def __init__(self, doc: str = "", *, usual: Sequence[str] = (), **kwargs: Any) -> None:
        self.usual = tuple(usual)
        super().__init__(doc, **kwargs)

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, Any] | None:
        return None if value is None else dict(value)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, Any]:
        if not isinstance(value, Mapping) or len(value) > self.most:
            raise self.refuse(value)
        faults: dict[str, list[str]] = {}
        for name, fact in value.items():
            plain = fact is None or isinstance(fact, bool | str) or finite(fact) is not None
            if not plain:
                faults[name] = [Refusal(fact, "a finite number, text, true or false")]
            for text in (name, fact if isinstance(fact, str) else ""):
                if len(text) > self.longest or any(is_control(c, True) for c in text):
                    faults[name] = [Refusal(text, f"up to {self.longest} printable characters")]
        if faults:
            raise ma.ValidationError(faults)
        return dict(value)

    def _check(self, value: Any) -> None:
        if not isinstance(value, Mapping):
            raise self.refuse(value)
        check_free_json(value)


def check_free_json(value: Any, depth: int = DEPTH) -> None:
    """Refuse what is not JSON, not finite, too long or nested too deep.

    Raises:
        marshmallow.ValidationError: with the place of each fault in the value.
    """
    if value is None or isinstance(value, bool):
        return
    if isinstance(value, int | float):
        number = finite(value)
        if number is None or abs(number) > LARGEST:
            raise ma.ValidationError([Refusal(value, "a finite number")])
    elif isinstance(value, str):
        _TEXT.check(value)
    elif depth == 0 or not isinstance(value, Mapping | Sequence):
        raise ma.ValidationError([Refusal(value, f"JSON, not nested deeper than {DEPTH}")])
    else:
        _check_items(value, depth)


def _check_items(value: Mapping[str, Any] | Sequence[Any], depth: int) -> None:
    if len(value) > ITEMS:
        raise ma.ValidationError([Refusal(f"{len(value)} items", f"up to {ITEMS} items")])
    found: dict[Any, Any] = {}
    for key, item in value.items() if isinstance(value, Mapping) else enumerate(value):
        try:
            if isinstance(value, Mapping):
                _NAME.check(key)
            check_free_json(item, depth - 1)
        except ma.ValidationError as error:
            found[key] = error.messages
    if found:
        raise ma.ValidationError(found)


class JsonObject(Field):
    """A JSON object that another schema reads, once it is known which."""

    most = 50
    allowed = f"an object of up to {most} names"
    json_schema: Mapping[str, Any] = {"type": "object", "maxProperties": most}

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, Any]:
        if not isinstance(value, Mapping) or len(value) > self.most:
            raise self.refuse(value)
        check_free_json(value)
        return dict(value)
