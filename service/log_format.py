"""Log lines that only this program can write: what others send cannot forge or colour one."""

from __future__ import annotations

import logging
from typing import Any, Final

from service.urls import without_credentials

FORMAT: Final = "%(asctime)s %(levelname)s %(name)s: %(message)s"
_CONTINUED: Final = "\n    "


def printable(text: str) -> str:
    r"""A text on one line: unprintable characters as ``\n``, ``\x1b``, ``\u2028``.

    Names and topics come from anybody who may publish, and a terminal obeys escape sequences.
    """
    if text.isprintable():
        return text
    return "".join(one if one.isprintable() else _escaped(one) for one in text)


def _escaped(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")


class LineFormatter(logging.Formatter):
    """One record, one line; the lines of a traceback are indented. URLs lose their credentials."""

    def __init__(self) -> None:
        super().__init__(FORMAT)

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - logging's name
        """The line of a record, without a traceback."""
        record.message = printable(without_credentials(record.message))
        return super().formatMessage(record)

    def formatException(self, ei: Any) -> str:  # noqa: N802 - logging's name
        """The traceback, each line indented, so that none passes for a record."""
        lines = super().formatException(ei).splitlines()
        return "    " + _CONTINUED.join(printable(without_credentials(one)) for one in lines)
