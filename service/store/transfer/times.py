"""Times in other programs' files: many forms and time zones in, microseconds UTC out."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt

from service.errors import InvalidInputError
from service.times import to_us

_UNIX_US: Final = {"unix": 1_000_000, "unix-ms": 1_000, "unix-us": 1}
_NUMBER: Final = re.compile(r"[+-]?\d+(?:\.\d*)?")
_MOST_US: Final = 2**63 - 1
FORMS: Final = ("auto", "iso", *_UNIX_US)


def zone_of(name: str) -> tzinfo:
    """The time zone of an IANA name such as ``Europe/Lisbon``.

    Raises:
        InvalidInputError: there is none of that name.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise InvalidInputError.of_field(
            "time_zone", name, "an IANA name such as Europe/Lisbon or UTC"
        ) from error


class TimeReader:
    """Reads the times of one file, in order.

    A local time that occurs twice, when clocks go back, is the second one as soon as the file's
    times would run backwards otherwise. One that never occurs is an error.
    """

    def __init__(self, form: str = "auto", zone: tzinfo | None = None) -> None:
        """Prepare.

        Args:
            form: ``auto`` (ISO 8601, or Unix time, its scale by its size), ``iso``, ``unix``,
                ``unix-ms``, ``unix-us``, or a pattern as of ``strptime`` with ``%``.
            zone: of times that name none.

        Raises:
            InvalidInputError: the form is none of these.
        """
        if form not in FORMS and "%" not in form:
            allowed = f"{', '.join(FORMS)}, or a pattern such as %d.%m.%Y %H:%M"
            raise InvalidInputError.of_field("time-format", form, allowed)
        self._form = form
        self._zone = zone
        #: The last time, after which a time that occurs twice is the second one.
        self.position = 0

    def read(self, text: str) -> int:
        """The time in microseconds since 1970-01-01 UTC.

        Raises:
            ValueError: not a time of the form.
        """
        text = text.strip()
        if self._form in _UNIX_US or (self._form == "auto" and _NUMBER.fullmatch(text)):
            return self._unix(text)
        try:
            if "%" in self._form:
                moment = datetime.strptime(text, self._form)  # noqa: DTZ007 - zone comes next
            else:
                moment = datetime.fromisoformat(text)
        except ValueError as error:
            raise ValueError(f"time is {text[:40]!r}; allowed: the form {self._form}") from error
        time_us = to_us(moment if moment.tzinfo else self._localised(moment, text))
        self.position = time_us
        return time_us

    def read_all(self, texts: Sequence[str]) -> npt.NDArray[np.int64]:
        """The times of a column; see ``read``. One of more than 64 bits is as near as may be."""
        unit_us = self._whole_unix_us(texts)
        if unit_us:
            return np.fromiter(map(int, texts), np.int64, len(texts)) * unit_us
        times_us = list(map(self.read, texts))
        try:
            return np.array(times_us, np.int64)
        except OverflowError:
            return np.array([min(max(one, -_MOST_US), _MOST_US) for one in times_us], np.int64)

    def _whole_unix_us(self, texts: Sequence[str]) -> int:
        """Microseconds of one unit where all are whole numbers of one scale, without a sign; 0."""
        joined = "".join(texts)
        digits = set(map(len, texts))
        if not (joined.isascii() and joined.isdigit() and 0 not in digits):
            return 0
        if self._form in _UNIX_US:
            unit_us = _UNIX_US[self._form]
        elif self._form == "auto" and len(units := set(map(_unit_us, digits))) == 1:
            unit_us = units.pop()
        else:
            return 0
        # below 10**18 microseconds there is room for all of them
        return unit_us if max(digits) + len(str(unit_us)) <= 19 else 0

    def _unix(self, text: str) -> int:
        if not _NUMBER.fullmatch(text):
            raise ValueError(f"time is {text[:40]!r}; allowed: a number ({self._form})")
        if self._form == "auto":
            digits = len(text.partition(".")[0].lstrip("+-"))
            unit_us = _unit_us(digits)
        else:
            unit_us = _UNIX_US[self._form]
        whole, _, part = text.partition(".")
        # Float seconds would be off by a fraction of a microsecond: count the digits instead.
        digits_us = len(str(unit_us)) - 1
        fraction = int((part + "0" * digits_us)[:digits_us] or 0)
        return int(whole) * unit_us + (-fraction if text.startswith("-") else fraction)

    def _localised(self, moment: datetime, text: str) -> datetime:
        if self._zone is None:
            raise ValueError(f"time is {text[:40]!r}, without a time zone; allowed: give the zone")
        first = moment.replace(tzinfo=self._zone, fold=0)
        second = moment.replace(tzinfo=self._zone, fold=1)
        if first.utcoffset() != second.utcoffset():
            if first.astimezone(UTC).astimezone(self._zone).replace(tzinfo=None) != moment:
                raise ValueError(
                    f"time is {text[:40]!r}, which clocks in {self._zone} skipped; "
                    "allowed: a time that occurred"
                )
            if to_us(first) <= self.position:
                return second
        return first


def _unit_us(digits: int) -> int:
    """The scale of a Unix time by its digits before the point: s, ms or us."""
    return 1_000_000 if digits <= 11 else 1_000 if digits <= 14 else 1
