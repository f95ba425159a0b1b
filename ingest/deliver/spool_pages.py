"""Finds batches in the pages of a damaged spool where SQLite itself gives up.

SQLite reaches a row through its table's root and inner pages; when one of these is damaged, every
row behind it is out of reach, though its own page is sound. And where a frame of the write-ahead
log is damaged, SQLite leaves out all later ones without a word. Each batch has a checksum of its
own, so it is looked for page by page. Format: sqlite.org/fileformat2, sections 1.6, 2.1 and 4.
"""

from __future__ import annotations

import mmap
import struct
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

PAGE_BYTES: Final = 512
"""The least that SQLite has: the journal adds some 150 bytes a minute, and the log gets pages."""

_LOG_HEADER: Final = 32
_FRAME_HEADER: Final = 24
_LOG_MAGIC: Final = {0x377F0682: "<", 0x377F0683: ">"}
_LEAF: Final = 13
_LARGEST_LOCAL: Final = PAGE_BYTES - 35
_SMALLEST_LOCAL: Final = (PAGE_BYTES - 12) * 32 // 255 - 23
#: Bytes of the serial types 0 to 9 of a record.
_FIXED: Final = (0, 1, 2, 3, 4, 6, 8, 8, 0, 0)
#: A value of a batch's row: number, kind, spooled_us, items, sent_s, body.
_COLUMNS: Final = 6

Row = tuple[int, str, int, int, float | None, bytes]


def log_is_cut(path: Path) -> bool:
    """Whether a damaged frame of the log hides later ones that were committed."""
    damaged = False
    for _page, _at, committed, sound in _frames(_bytes_of(_log_of(path))):
        damaged = damaged or not sound
        if damaged and sound and committed:
            return True
    return False


def batches(path: Path) -> Iterator[Row]:
    """The rows of the table ``batch`` that stand whole in a page; bodies are not checked."""
    pages = _Pages(path)
    unused = pages.unused()
    for number in pages.numbers():
        page = pages[number]
        if page[:1] != bytes([_LEAF]) or number in unused:
            continue
        for index in range(min(int.from_bytes(page[3:5], "big"), PAGE_BYTES // 4)):
            try:
                row = _row(pages, page, int.from_bytes(page[8 + 2 * index : 10 + 2 * index], "big"))
            except (LookupError, ValueError, struct.error):
                continue  # what says so is damaged
            if row is not None:
                yield row


class _Pages(Mapping[int, bytes]):
    """The newest sound form of each page, by number: in the log, or else in the file."""

    def __init__(self, path: Path) -> None:
        self._file = _bytes_of(path)
        self._log = _bytes_of(_log_of(path))
        self._in_log = {page: at for page, at, _, sound in _frames(self._log) if sound}

    def __getitem__(self, number: int) -> bytes:
        at = self._in_log.get(number)
        if at is not None:
            return bytes(self._log[at : at + PAGE_BYTES])
        page = bytes(self._file[(number - 1) * PAGE_BYTES : number * PAGE_BYTES])
        if number < 1 or len(page) < PAGE_BYTES:
            raise KeyError(number)
        return page

    def __iter__(self) -> Iterator[int]:
        return iter(self.numbers())

    def __len__(self) -> int:
        return len(self._file) // PAGE_BYTES + len(self._in_log)

    def numbers(self) -> list[int]:
        """All that there are."""
        return sorted({*range(1, len(self._file) // PAGE_BYTES + 1), *self._in_log})

    def unused(self) -> set[int]:
        """Pages of the list of free ones: what stands in them was deleted."""
        found: set[int] = set()
        try:
            trunk = int.from_bytes(self[1][32:36], "big")
            while trunk and trunk not in found:
                found.add(trunk)
                page = self[trunk]
                count = min(int.from_bytes(page[4:8], "big"), PAGE_BYTES // 4 - 2)
                found.update(struct.unpack_from(f">{count}I", page, 8))
                trunk = int.from_bytes(page[:4], "big")
        except KeyError:
            pass  # the list is damaged: what was deleted may come again, and is stored once
        return found


def _bytes_of(path: Path) -> mmap.mmap | bytes:
    try:
        with path.open("rb") as file:
            return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    except (FileNotFoundError, ValueError):  # not there, or empty
        return b""


def _log_of(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def _frames(log: mmap.mmap | bytes) -> Iterator[tuple[int, int, bool, bool]]:
    """Page, offset, whether it ends a transaction, whether it is sound: of each frame."""
    if len(log) < _LOG_HEADER:
        return
    order = _LOG_MAGIC.get(int.from_bytes(log[:4], "big"))
    if order is None or int.from_bytes(log[8:12], "big") != PAGE_BYTES:
        return
    salts = log[16:24]
    before = struct.unpack(">2I", log[24:32])
    size = _FRAME_HEADER + PAGE_BYTES
    for at in range(_LOG_HEADER, len(log) - size + 1, size):
        if log[at + 8 : at + 16] != salts:
            return  # what an earlier round of the log left behind
        page, pages_after = struct.unpack(">2I", log[at : at + 8])
        after = struct.unpack(">2I", log[at + 16 : at + 24])
        summed = log[at : at + 8] + log[at + _FRAME_HEADER : at + size]
        sound = _sum(summed, before, order) == after
        yield page, at + _FRAME_HEADER, pages_after != 0, sound
        before = after


def _sum(data: bytes, seed: tuple[int, ...], order: str) -> tuple[int, int]:
    """The checksum of the write-ahead log."""
    one, two = seed
    for first, second in struct.iter_unpack(f"{order}2I", data):
        one = (one + first + two) & 0xFFFFFFFF
        two = (two + second + one) & 0xFFFFFFFF
    return one, two


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """A number of variable length, and where it ends."""
    value = 0
    for length in range(8):
        byte = data[at + length]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + length + 1
    return value << 8 | data[at + 8], at + 9


def _row(pages: _Pages, page: bytes, at: int) -> Row | None:
    """The row of a cell; None if it is of another table."""
    size, at = _varint(page, at)
    number, at = _varint(page, at)
    record = _payload(pages, page, at, size)
    header_end, where = _varint(record, 0)
    types = []
    while where < header_end:
        kind, where = _varint(record, where)
        types.append(kind)
    if len(types) != _COLUMNS:
        return None
    values: list[Any] = []
    for kind in types:
        value, where = _value(record, where, kind)
        values.append(value)
    _, kind, spooled_us, items, sent_s, body = values
    if not (isinstance(kind, str) and isinstance(body, bytes) and where == size):
        return None
    if not (isinstance(spooled_us, int) and isinstance(items, int)):
        return None
    return number, kind, spooled_us, items, sent_s, body


def _payload(pages: _Pages, page: bytes, at: int, size: int) -> bytes:
    """A record, with what stands in overflow pages."""
    if size > PAGE_BYTES * len(pages):
        raise ValueError("larger than the file")
    if size <= _LARGEST_LOCAL:
        return page[at : at + size]
    local = _SMALLEST_LOCAL + (size - _SMALLEST_LOCAL) % (PAGE_BYTES - 4)
    if local > _LARGEST_LOCAL:
        local = _SMALLEST_LOCAL
    found = [page[at : at + local]]
    left = size - local
    following = int.from_bytes(page[at + local : at + local + 4], "big")
    while left > 0:
        more = pages[following]
        following = int.from_bytes(more[:4], "big")
        found.append(more[4 : 4 + left])
        left -= len(found[-1])
    return b"".join(found)


def _value(record: bytes, at: int, kind: int) -> tuple[Any, int]:
    """A value by its serial type, and where it ends."""
    if kind >= 12:
        end = at + (kind - 12) // 2
        return (record[at:end].decode() if kind % 2 else record[at:end]), end
    end = at + _FIXED[kind]
    if kind == 7:
        return struct.unpack(">d", record[at:end])[0], end
    if kind >= 8:
        return kind - 8, end
    return (None if kind == 0 else int.from_bytes(record[at:end], "big", signed=True)), end
