"""Keys of lists: the values by which an item is sorted, as text that leads to what comes after."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from service.schemas.fields import Field
from service.times import from_us, to_us

_BETWEEN: Final = "~"


@dataclass(frozen=True, slots=True)
class KeyPart:
    """One of the values that sort an item.

    Attributes:
        pattern: regular expression of its text.
        text_of, value_of: from the value to its text, and back.
    """

    pattern: str
    text_of: Callable[[Any], str]
    value_of: Callable[[str], Any]


def _moment_or_none(text: str) -> datetime | None:
    return from_us(int(text)) if text else None


def _text_or_none(moment: datetime | None) -> str:
    return "" if moment is None else str(to_us(moment))


#: A moment: whole microseconds since 1970 UTC.
KEY_MOMENT: Final = KeyPart("[0-9]{1,17}", lambda moment: str(to_us(moment)), _moment_or_none)
KEY_MOMENT_OR_NONE: Final = KeyPart("([0-9]{1,17})?", _text_or_none, _moment_or_none)
KEY_WHOLE: Final = KeyPart("[0-9]{1,9}", str, int)
KEY_ID: Final = KeyPart("[a-z0-9-]{1,64}", str, str)


class Key(Field):
    """Where a part of a list ended: the values that sort its last item, as a tuple.

    Since it is no item, it leads on where that item was deleted or has another place by now.
    """

    allowed = "the text of `after`, as `next` has it"

    def __init__(self, *parts: KeyPart, **kwargs: Any) -> None:
        super().__init__("Where the part before ended, as its `next` has it.", **kwargs)
        self._parts = parts
        pattern = _BETWEEN.join(one.pattern for one in parts)
        self.json_schema = {"type": "string", "pattern": f"^{pattern}$"}
        self._pattern: Final = re.compile(pattern, re.ASCII)

    def text_of(self, values: tuple[Any, ...]) -> str:
        """The text of what sorts an item."""
        texts = (part.text_of(one) for part, one in zip(self._parts, values, strict=True))
        return _BETWEEN.join(texts)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> tuple[Any, ...]:
        if not isinstance(value, str) or not self._pattern.fullmatch(value):
            raise self.refuse(value)
        texts = value.split(_BETWEEN)
        return tuple(part.value_of(one) for part, one in zip(self._parts, texts, strict=True))
