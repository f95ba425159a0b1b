"""How answers are shown: JSON for scripts, small curves for a terminal."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, is_dataclass
from datetime import date, datetime
from typing import Any, Final

_BARS: Final = "▁▂▃▄▅▆▇█"
_GAP: Final = " "


def as_json_text(answer: Any) -> str:
    """An answer of the client, or an object of them, as JSON."""
    return json.dumps(answer, default=_plain, ensure_ascii=False, indent=2)


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    if is_dataclass(value) and not isinstance(value, type):
        return asdict(value)
    raise TypeError(f"{type(value).__name__} cannot be written as JSON")


def sparkline(values: Sequence[float | None]) -> str:
    """A row of bars from the lowest to the highest value; a blank where there is none."""
    known = [value for value in values if value is not None]
    if not known:
        return ""
    low, high = min(known), max(known)
    step = (high - low) / (len(_BARS) - 1)
    return "".join(
        _GAP if value is None else _BARS[round((value - low) / step) if step else 0]
        for value in values
    )
