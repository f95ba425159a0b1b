"""Keys of lists: what sorts an item, as text and back."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import marshmallow as ma
import pytest

from service.schemas.keys import KEY_ID, KEY_MOMENT, KEY_MOMENT_OR_NONE, KEY_WHOLE, Key

KEY = Key(KEY_WHOLE, KEY_MOMENT_OR_NONE, KEY_MOMENT, KEY_ID)
# Microseconds count: two items may differ by one.
NOW = datetime(2026, 5, 4, 12, 0, 0, 1, tzinfo=UTC)


@pytest.mark.parametrize("due", [None, NOW])
def test_a_key_comes_back_exactly(due: datetime | None) -> None:
    values = (3, due, NOW, "co2-low-0a1b")
    text = KEY.text_of(values)
    assert KEY.deserialize(text) == values
    assert re.search(KEY.openapi()["pattern"], text)


@pytest.mark.parametrize(
    "text",
    ["", "riffle", "3~~1~", "3~~1", "3~~1~a~b", "3~~~a", "-3~~1~a", "3~~1~A", "3~~1~a\n", "³~~1~a",
     "3~~100000000000000000~a", "3~~1~" + "a" * 65],
)  # fmt: skip
def test_what_is_no_key_is_refused(text: str) -> None:
    with pytest.raises(ma.ValidationError):
        KEY.deserialize(text)
    assert not re.search(KEY.openapi()["pattern"].replace("$", r"\Z"), text)
