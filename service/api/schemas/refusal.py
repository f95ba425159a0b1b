"""The wording of refusals: the value, shortened, and what is allowed."""

from __future__ import annotations

_SHOWN = 60


class UnitRefusal(str):
    """The message of a unit that is not understood; tells it from other faults of a field."""

    __slots__ = ()


def shown(value: object) -> str:
    """A value as an error may repeat it: short, on one line, encodable."""
    text = repr(value)
    if len(text) > _SHOWN:
        text = text[: _SHOWN - 1] + "…"
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def wrong(value: object, allowed: str) -> str:
    """``is 'x'; allowed: …``: the wording of every refusal, without the field's name."""
    return f"is {shown(value)}; allowed: {allowed}"
