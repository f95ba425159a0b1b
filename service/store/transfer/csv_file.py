"""A CSV file as lines and blocks of rows, with how far it has been read."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from typing import BinaryIO, NamedTuple

from service.errors import InvalidInputError


class RowBlock(NamedTuple):
    """Rows that are not empty, and for each the line in which it ends."""

    rows: Sequence[list[str]]
    lines: Sequence[int]


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

    def plain_block(self, count: int, delimiter: str) -> RowBlock | None:
        """The next so many lines, each of them a row as there is no quotation mark in them.

        Returns:
            None where there is one, or where a line is no CSV: nothing was read then.
        """
        raw = list(islice(self._file, count))
        data = b"".join(raw)
        rows: list[list[str]] = []
        try:
            if b'"' not in data:
                texts = data.decode("utf-8", "replace").split("\n")
                rows = list(csv.reader(texts[: len(raw)], delimiter=delimiter))
        except csv.Error:
            rows = []
        if len(rows) != len(raw):
            self._file.seek(self.offset)
            return None
        lines: Sequence[int] = range(self.line + 1, self.line + 1 + len(rows))
        self.offset += len(data)
        self.line += len(rows)
        if not all(rows):
            lines = [line for line, row in zip(lines, rows, strict=True) if row]
            rows = list(filter(None, rows))
        return RowBlock(rows, lines)


def blocks_of(
    rows: Iterator[list[str]], lines: Lines, delimiter: str, room: Callable[[], int]
) -> Iterator[RowBlock]:
    """The rows that are not empty, in blocks of at most as many as there is room for.

    Raises:
        InvalidInputError: a line is no CSV; the rows before it come first.
    """
    ended: InvalidInputError | None = None
    more = True
    while more:
        before = lines.offset
        block = lines.plain_block(room(), delimiter)
        if block is None:
            numbered: list[tuple[list[str], int]] = []
            try:
                numbered.extend((row, lines.line) for row in islice(filter(None, rows), room()))
            except InvalidInputError as error:
                ended = error
            block = RowBlock([row for row, _ in numbered], [line for _, line in numbered])
        more = lines.offset > before and ended is None
        if block.rows:
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
