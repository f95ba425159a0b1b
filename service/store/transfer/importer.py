"""Imports a CSV file: in batches, resumable after an interruption, nothing left out silently."""

from __future__ import annotations

import hashlib
import json
import logging
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from service.errors import InvalidInputError
from service.science.numeric.sets import among, first_places
from service.store.columns import ReadingColumns
from service.store.model import Flag, Reading
from service.store.transfer.csv_file import Lines, RowBlock, blocks_of, rows_of
from service.store.transfer.csv_mapping import CsvMapping
from service.store.transfer.csv_rows import row_reader
from service.store.transfer.row_reader import Rejected, RowReader
from service.store.transfer.times import TimeReader

#: Gives readings their flags; with them come earlier ones whose spike flag is set or removed.
Judge = Callable[[ReadingColumns], tuple[ReadingColumns, Sequence[Reading]]]

_log = logging.getLogger(__name__)
BATCH: Final = 10_000
_HEAD_BYTES: Final = 65_536


@dataclass(slots=True)
class ImportReport:
    """What an import did.

    Attributes:
        readings, rejected: how many, over all runs that were resumed.
        reasons: how many were rejected for what, in this run.
        flagged: how many got which flag, in this run; not those whose flags the file has.
        resumed_at: the line after which this run went on; 0 when from the start.
        rows: data rows of the file that were read, over all runs.
    """

    readings: int = 0
    rejected: int = 0
    rows: int = 0
    resumed_at: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    flagged: Counter[str] = field(default_factory=Counter)

    def count_flags(self, judged: ReadingColumns, earlier: Sequence[Reading]) -> None:
        """Count the flags of a batch.

        Args:
            judged: its readings with flags; of several at one time the last one counts.
            earlier: those of before whose spike flag is set or removed.
        """
        flagged = judged[np.flatnonzero(judged.flags)]
        if len(flagged):
            same = judged[np.flatnonzero(among(judged.time_us, flagged.time_us))]
            final = {(one.key, one.time_us): one.flags for one in same}
            for flags in final.values():
                self.flagged.update(str(flag.name).lower() for flag in flags)
        for one in {(one.key, one.time_us): one for one in earlier}.values():
            self.flagged["spike"] += 1 if Flag.SPIKE in one.flags else -1


class Progress:
    """How far an import got, in a small file until it is complete."""

    def __init__(self, path: Path, identity: str) -> None:
        """Use a file.

        Args:
            identity: of the data and how it is read; the file of another one is not used.
        """
        self._path = path
        self._identity = identity

    def load(self, size: int) -> dict[str, int] | None:
        """The note of an interrupted import of the same file, if there is one."""
        try:
            note = json.loads(self._path.read_text(encoding="utf-8"))
            if note.pop("identity") == self._identity and note["offset"] <= size:
                return {name: int(value) for name, value in note.items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            # No note, or an unusable one: the import begins anew, which changes nothing stored.
            return None
        return None

    def save(self, **note: int) -> None:
        """Note how far it got; where that cannot be written, the import cannot be resumed."""
        new = self._path.with_name(self._path.name + ".new")
        try:
            new.write_text(json.dumps({"identity": self._identity, **note}), encoding="utf-8")
            new.replace(self._path)
        except OSError as error:
            _log.warning("%s: cannot be written (%s); not resumable", self._path, error.strerror)

    def done(self) -> None:
        """Remove the note."""
        self._path.unlink(missing_ok=True)


def import_csv(
    path: Path,
    mapping: CsvMapping,
    times: TimeReader,
    judge: Judge,
    write: Callable[[ReadingColumns], None],
    *,
    refusal: Callable[[Reading], str] = lambda reading: "",
    delimiter: str = ",",
    identity: str = "",
    resumable: bool = True,
    on_progress: Callable[[int, int], None] = lambda done, total: None,
    on_rejected: Callable[[Rejected], None] = lambda rejected: None,
) -> ImportReport:
    """Import a file; after an interruption the same call goes on where it stopped.

    Args:
        judge: gives readings their flags; asked about those whose flags the file does not have.
        write: takes a batch; usually ``Store.write``.
        refusal: why a reading may not be stored, as its series is one too many; "" where it may.
        identity: of how the file is read (the mapping, the store): another one starts over.
        resumable: write a note beside the file of how far it got, until it is complete.
        on_progress: called with bytes done and in all, after each batch.
        on_rejected: called with each cell or row that is no reading.

    Raises:
        InvalidInputError: the file cannot be read or a column is missing.
        StoreUnavailableError, StoreRefusedError: what was written before stays.
    """
    try:
        size = path.stat().st_size
        file = path.open("rb")
    except OSError as error:
        raise InvalidInputError.of_field("file", str(path), f"readable ({error.strerror})") from (
            error
        )
    with file:
        head = hashlib.sha256(file.read(min(size, _HEAD_BYTES)) + identity.encode()).hexdigest()
        file.seek(0)
        lines = Lines(file)
        rows = rows_of(lines, delimiter)
        header = next(rows, None)
        if header is None:
            raise InvalidInputError.of_field("file", str(path), "a CSV file with a header line")
        read = row_reader(header, mapping, times)
        progress = Progress(path.with_name(f".{path.name}.import"), head)
        report = ImportReport()
        note = progress.load(size) if resumable else None
        if note is not None:
            file.seek(note["offset"])
            lines.offset, lines.line = note["offset"], note["line"]
            report.readings, report.rejected = note["readings"], note["rejected"]
            report.rows, report.resumed_at = note["rows"], note["line"]
        batch = _Batch(read, refusal, report, on_rejected)

        def commit() -> None:
            parts = [ReadingColumns.joined(batch.flagged)]
            if batch.unjudged:
                judged, earlier = judge(ReadingColumns.joined(batch.unjudged))
                report.count_flags(judged, earlier)
                parts += [judged, ReadingColumns.of(earlier)]
            if len(batch):
                write(ReadingColumns.joined(parts))
            report.readings += len(batch)
            batch.clear()
            if resumable:
                progress.save(
                    offset=lines.offset,
                    line=lines.line,
                    readings=report.readings,
                    rejected=report.rejected,
                    rows=report.rows,
                )
            on_progress(lines.offset, size)

        for block in blocks_of(rows, lines, delimiter, lambda: batch.room):
            report.rows += len(block.lines)
            batch.take(block)
            if len(batch) >= BATCH:
                commit()
        commit()
        if resumable:
            progress.done()
        return report


class _Batch:
    """The readings of a file that are to be stored next: with flags of the file, and without."""

    def __init__(
        self,
        reader: RowReader,
        refusal: Callable[[Reading], str],
        report: ImportReport,
        on_rejected: Callable[[Rejected], None],
    ) -> None:
        self._reader = reader
        self._refusal = refusal
        self._report = report
        self._on_rejected = on_rejected
        self.flagged: list[ReadingColumns] = []
        self.unjudged: list[ReadingColumns] = []
        self._count = 0

    def __len__(self) -> int:
        return self._count

    @property
    def room(self) -> int:
        """Rows that may be added before it is full, one at least."""
        return max(1, (BATCH - len(self)) // self._reader.readings_per_row)

    def clear(self) -> None:
        """Forget the readings."""
        self.flagged, self.unjudged, self._count = [], [], 0

    def take(self, rows: RowBlock) -> None:
        """Add rows, at once where nothing in them is amiss, else one by one."""
        block = self._reader.read_all(rows.columns)
        if block is None or any(map(self._refusal, _first_of_each_series(block.readings))):
            for row, line in zip(rows.rows, rows.lines, strict=True):
                self._take_row(row, line)
            return
        self._add(block.readings, block.flagged)

    def _add(self, readings: ReadingColumns, flagged: bool) -> None:
        (self.flagged if flagged else self.unjudged).append(readings)
        self._count += len(readings)

    def _take_row(self, row: Sequence[str], line: int) -> None:
        readings, flagged, rejected = self._reader.read(row, line)
        wanted = []
        for reading in readings:
            reason = self._refusal(reading)
            if reason:
                rejected = [*rejected, Rejected(line, "", reason)]
            else:
                wanted.append(reading)
        if wanted:
            self._add(ReadingColumns.of(wanted), flagged)
        for one in rejected:
            self._report.rejected += 1
            self._report.reasons[_kind(one)] += 1
            self._on_rejected(one)


def _first_of_each_series(readings: ReadingColumns) -> Iterable[Reading]:
    """In the order in which they come, as the last ones may be too many."""
    _, places = first_places(readings.series)
    return readings[np.sort(places)]


def _kind(rejected: Rejected) -> str:
    """The reason without what is particular to one row."""
    before, _, allowed = rejected.reason.partition("; allowed: ")
    name = before.partition(" is ")[0]
    place = f"column {rejected.column}: " if rejected.column else ""
    return f"{place}{name}; allowed: {allowed}"
