"""A CSV file as lines and blocks of rows, with how far it has been read."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import BinaryIO, Final

from service.errors import InvalidInputError

#: What means something in CSV, besides the delimiter.
_SPECIAL: Final = '\n\r"'


@dataclass(frozen=True, slots=True)
class RowBlock:
    """Rows that are not empty.

    Attributes:
        columns: their cells by columns; None where not all have as many.
        lines: for each row the line in which it ends.
    """

    columns: Sequence[Sequence[str]] | None
    lines: Sequence[int]
    _rows: Sequence[Sequence[str]] | None = None

    @classmethod
    def of_rows(cls, rows: Sequence[Sequence[str]], lines: Sequence[int]) -> RowBlock:
        """A block of rows, each with its cells."""
        even = len(set(map(len, rows))) == 1
        return cls(list(zip(*rows, strict=True)) if even else None, lines, rows)

    @property
    def rows(self) -> Sequence[Sequence[str]]:
        """The cells of each row."""
        if self._rows is not None:
            return self._rows
        return list(map(list, zip(*(self.columns or ()), strict=True)))


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
        block = self._block(raw, delimiter)
        if block is None:
            self._file.seek(self.offset)
            return None
        self.offset += sum(map(len, raw))
        self.line += len(raw)
        return block

    def _block(self, raw: Sequence[bytes], delimiter: str) -> RowBlock | None:
        data = b"".join(raw)
        lines: Sequence[int] = range(self.line + 1, self.line + 1 + len(raw))
        columns = _even_columns(raw, data, delimiter)
        if columns is not None:
            return RowBlock(columns, lines)
        if b'"' in data:
            return None
        texts = data.decode("utf-8", "replace").split("\n")
        try:
            rows = list(csv.reader(texts[: len(raw)], delimiter=delimiter))
        except csv.Error:
            return None
        if len(rows) != len(raw):
            return None
        if not all(rows):
            lines = [line for line, row in zip(lines, rows, strict=True) if row]
            rows = list(filter(None, rows))
        return RowBlock.of_rows(rows, lines)


def _even_columns(raw: Sequence[bytes], data: bytes, delimiter: str) -> list[list[str]] | None:
    """The columns of lines that have as many cells each, two at least; None for other lines.

    Without quotation marks and blank lines, a cell is what stands between two delimiters.
    """
    if not raw or not delimiter.isascii() or delimiter in _SPECIAL:
        return None
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n")
    between = delimiter.encode()
    width = raw[0].count(between) + 1
    others = bytes(set(range(256)) - set((_SPECIAL + delimiter).encode()))
    even = data.translate(None, others) == (between * (width - 1) + b"\n") * len(raw)
    if width < 2 or not even or max(map(len, raw)) > csv.field_size_limit():
        return None
    cells = data.decode("utf-8", "replace").replace("\n", delimiter).split(delimiter)
    return [cells[at : width * len(raw) : width] for at in range(width)]


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
            block = RowBlock.of_rows([row for row, _ in numbered], [line for _, line in numbered])
        more = lines.offset > before and ended is None
        if block.lines:
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
