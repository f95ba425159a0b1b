"""A CSV file as lines and blocks of rows, with how far it has been read."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from itertools import islice
from typing import BinaryIO

from service.errors import InvalidInputError

#: The cells of a row, and the line in which it ends.
NumberedRow = tuple[list[str], int]


class Lines:
    """The lines of a file as text, with the number of bytes and lines read so far."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.offset = file.tell()
        self.line = 0

    def __iter__(self) -> Iterator[str]:
        for raw in iter(self._file.readline, b""):
            self.offset += len(raw)
            self.line += 1
            yield raw.decode("utf-8-sig" if self.line == 1 else "utf-8", "replace")


def blocks_of(
    rows: Iterator[list[str]], lines: Lines, room: Callable[[], int]
) -> Iterator[list[NumberedRow]]:
    """The rows that are not empty, with their lines, in blocks of as many as there is room for.

    Raises:
        InvalidInputError: a line is no CSV; the rows before it come first.
    """
    ended: InvalidInputError | None = None
    more = True
    filled = filter(None, rows)
    while more:
        block: list[NumberedRow] = []
        try:
            block.extend((row, lines.line) for row in islice(filled, room()))
            more = bool(block)
        except InvalidInputError as error:
            ended, more = error, False
        if block:
            yield block
    if ended is not None:
        raise ended


def rows_of(lines: Lines, delimiter: str) -> Iterator[list[str]]:
    try:
        yield from csv.reader(lines, delimiter=delimiter)
    except csv.Error as error:
        raise InvalidInputError.of_field(
            f"line {lines.line}", str(error), "CSV as of RFC 4180"
        ) from error
