"""Collects every wrong field of a value before it is refused, in one wording."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from datetime import UTC, date, datetime
from typing import Any
from unicodedata import category

from service.errors import FieldFault, InvalidInputError

NAME_LENGTH = 200
NOTE_LENGTH = 10_000
FREE_DEPTH = 4
FREE_ITEMS = 200

EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)
LATEST = datetime(2200, 1, 1, tzinfo=UTC)

_SHOWN = 60
_TOLD = 3


def fault_of(field: str, value: object, allowed: str) -> FieldFault:
    """The fault of one field (dotted), its value shortened."""
    shown = repr(value)
    if len(shown) > _SHOWN:
        shown = shown[: _SHOWN - 1] + "…"
    pointer = "/" + "/".join(
        part.replace("~", "~0").replace("/", "~1") for part in field.split(".")
    )
    text = f"{field} is {shown}; allowed: {allowed}"
    return FieldFault(pointer, text.encode("utf-8", "backslashreplace").decode("utf-8"))


class Faults:
    """The wrong fields found so far; ``refuse`` raises if there are any."""

    def __init__(self) -> None:
        self._found: list[FieldFault] = []

    def add(self, field: str, value: object, allowed: str) -> None:
        """Note that a field has a value that is not allowed."""
        self._found.append(fault_of(field, value, allowed))

    def include(self, error: InvalidInputError) -> None:
        """Note what another check has found."""
        self._found.extend(error.faults)

    def refuse(self) -> None:
        """End the check.

        Raises:
            InvalidInputError: naming every field that was added, with its value and what is
                allowed.
        """
        if self._found:
            detail = "; ".join(fault.detail for fault in self._found[:_TOLD])
            if len(self._found) > _TOLD:
                detail += f"; and {len(self._found) - _TOLD} more"
            raise InvalidInputError(detail, tuple(self._found))

    def number(
        self,
        field: str,
        value: object,
        low: float,
        high: float,
        unit: str = "",
        *,
        above: bool = False,
    ) -> bool:
        """A finite number from ``low`` (or above it) to ``high``; True if it is one."""
        between = f"a number {'above' if above else 'from'} {low:g} {'and up' if above else ''}"
        allowed = f"{between.rstrip()} to {high:g} {unit}".rstrip()
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.add(field, value, allowed)
            return False
        in_range = low < value <= high if above else low <= value <= high
        if not in_range:  # NaN, too
            self.add(field, value, allowed)
        return in_range

    def optional(
        self,
        field: str,
        value: object,
        low: float,
        high: float,
        unit: str = "",
        *,
        above: bool = False,
    ) -> bool:
        """The same, or None; True if it is a number that is allowed."""
        return value is not None and self.number(field, value, low, high, unit, above=above)

    def whole(self, field: str, value: object, low: int, high: int) -> None:
        """A whole number from ``low`` to ``high``."""
        is_whole = isinstance(value, int) and not isinstance(value, bool)
        if not is_whole or not low <= value <= high:  # type: ignore[operator]
            self.add(field, value, f"a whole number from {low} to {high}")

    def ordered(self, field: str, low: float, high_field: str, high: float) -> None:
        """``low`` is not above ``high``."""
        if low > high:
            self.add(field, low, f"at most {high_field}, which is {high:g}")

    def text(self, field: str, value: object, longest: int, *, empty: bool = True) -> None:
        """One line of text that every database and screen takes."""
        self._text(field, value, longest, 0 if empty else 1, "")

    def lines(self, field: str, value: object, longest: int) -> None:
        """Text of any number of lines."""
        self._text(field, value, longest, 0, "\t\r\n")

    def _text(self, field: str, value: object, longest: int, least: int, control: str) -> None:
        fits = (
            isinstance(value, str)
            and len(value) <= longest
            and len(value.strip()) >= least
            and all(char in control or category(char) not in ("Cc", "Cs") for char in value)
        )
        if not fits:
            shape = "text" if control else "one line"
            self.add(field, value, f"{shape} of {least} to {longest} printable characters")

    def one_of(self, field: str, value: object, allowed: Collection[str]) -> None:
        """One of some words."""
        if value not in allowed:
            self.add(field, value, ", ".join(allowed))

    def flag(self, field: str, value: object) -> None:
        """True or False."""
        if not isinstance(value, bool):
            self.add(field, value, "true or false")

    def day(self, field: str, value: object) -> None:
        """A date, or None."""
        if value is None:
            return
        if isinstance(value, datetime) or not isinstance(value, date):
            self.add(field, value, "a date such as 2026-05-04")
        elif not EARLIEST.date() <= value < LATEST.date():
            self.add(field, value.isoformat(), f"a date from {EARLIEST.year} to {LATEST.year - 1}")

    def moment(self, field: str, value: object) -> bool:
        """A datetime with a zone, in a sensible year; True if it is one."""
        if not isinstance(value, datetime) or value.tzinfo is None:
            self.add(field, value, "a date and time with a time zone")
            return False
        if not EARLIEST <= value < LATEST:
            years = f"a time from {EARLIEST.year} to {LATEST.year - 1}"
            self.add(field, value.isoformat(), years)
            return False
        return True

    def free(self, field: str, value: object, depth: int = FREE_DEPTH) -> None:
        """Anything that JSON can say, within reason: finite, short, not deep."""
        if value is None or isinstance(value, bool):
            return
        if isinstance(value, int | float):
            if not math.isfinite(value) or abs(value) > 1e300:
                self.add(field, value, "a finite number")
        elif isinstance(value, str):
            self.lines(field, value, NOTE_LENGTH)
        elif depth == 0 or not isinstance(value, Mapping | list | tuple):
            self.add(field, value, f"JSON, not nested deeper than {FREE_DEPTH}")
        else:
            self._free_items(field, value, depth)

    def _free_items(
        self, field: str, value: Mapping[Any, Any] | list[Any] | tuple[Any, ...], depth: int
    ) -> None:
        if len(value) > FREE_ITEMS:
            self.add(field, f"{len(value)} items", f"up to {FREE_ITEMS} items")
            return
        named = isinstance(value, Mapping)
        for key, item in value.items() if isinstance(value, Mapping) else enumerate(value):
            if named:
                self.text(f"{field}.{key}", key, NAME_LENGTH, empty=False)
            self.free(f"{field}.{key}", item, depth - 1)
