"""Readings in InfluxDB: 2.x and 3.x by token, organisation and bucket, 1.x by database."""

from __future__ import annotations

import threading
import time
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Final

from service.errors import (
    MISSING_ADVICE,
    ConfigError,
    NotFoundError,
    StoreRefusedError,
    StoreUnavailableError,
)
from service.store.buckets import aligned_span, empty_buckets
from service.store.checks import MAX_TIME_US, MIN_TIME_US, check_every
from service.store.http import Remote, parse_url, refused
from service.store.http_store import RemoteStore
from service.store.influx import durability, influxql
from service.store.influx.write import V1Writer, V2Writer
from service.store.line_protocol import LINES_PER_REQUEST, line_of
from service.store.model import (
    AGGREGATES,
    NOT_USABLE,
    Aggregate,
    Buckets,
    Extent,
    Reading,
    Samples,
    SeriesInfo,
    SeriesKey,
)
from service.urls import redacted

_FORM: Final = (
    "influx://[USER:PASSWORD@]HOST[:8086]/DATABASE for 1.x, "
    "influx://HOST[:8086]/?token=TOKEN&org=ORG&bucket=BUCKET for 2.x and 3.x, influxs:// for TLS"
)
_LATELY_US: Final = 86_400_000_000
_CHUNK: Final = "20000"
#: Series that one question names: the server combines its conditions one by one.
_MOST_SERIES: Final = 100


class InfluxStore(RemoteStore):
    """A store in an InfluxDB server.

    The database or bucket is made when it is missing and the credentials allow it. An entry of its
    log that a crash tore takes with it, at the start after, what came behind it: see
    ``durable_after_s``, which ``health().numbers["unsaved_s"]`` shortens.
    """

    backend = "influx"
    time_resolution_us = 1
    durable_after_s = 600.0
    visible_after_s = 0.0
    value_tolerance = 0.0

    def __init__(self, remote: Remote, database: str, writer: V1Writer | V2Writer) -> None:
        """Use a server; see ``from_url``."""
        super().__init__()
        self._remote = remote
        self._database = database
        self._writer = writer
        self._create = True
        self._ready = False
        self._ready_lock = threading.Lock()

    @classmethod
    def from_url(cls, url: str, *, create: bool = True) -> InfluxStore:
        """Open the store of a URL; a server that is away now is asked again when it is needed.

        Args:
            create: make the database or bucket when it is missing.

        Raises:
            ConfigError: the URL is not of the form.
            NotFoundError: the database or bucket is missing, and is not to be made.
            StoreRefusedError: the server does not accept the credentials.
        """
        names = frozenset({"token", "org", "bucket"})
        address = parse_url(url, "influx", 8086, names, _FORM)
        token, bucket = address.options.get("token"), address.options.get("bucket", address.path)
        if not bucket or "/" in bucket or (address.options.keys() - {"bucket"} and not token):
            raise ConfigError(f"store.url names no database or no token; allowed: {_FORM}")
        if token:
            headers = {"Authorization": f"Token {token}"}
            remote = Remote(address.base, headers=headers, auth=None)
            org = address.options.get("org", "")
            store = cls(remote, bucket, V2Writer(address.base, token, org, bucket))
        else:
            auth = None if address.user is None else (address.user, address.password or "")
            remote = Remote(address.base, auth=auth)
            store = cls(remote, bucket, V1Writer(remote, bucket))
        store._create = create
        return store._opened()

    def _prepare(self) -> None:
        """Make the database or bucket when it is missing, once."""
        if self._ready:
            return
        with self._ready_lock:
            if not self._ready:
                if not self._exists():
                    self._make()
                self._ready = True

    def _make(self) -> None:
        if not self._create:
            where = f"{redacted(self._remote.base)} has no database {self._database!r}"
            raise NotFoundError(f"store.url: {where}; {MISSING_ADVICE}")
        self._writer.create()

    def _exists(self) -> bool:
        try:
            with self._series(influxql.oldest_time("time >= 0")) as found:
                list(found)
        except StoreRefusedError as error:
            if "not found" not in error.detail:
                raise
            return False
        return True

    def _write(self, readings: Sequence[Reading]) -> None:
        self._retract(readings)
        lines = [line_of(reading) for reading in readings]
        for start in range(0, len(lines), LINES_PER_REQUEST):
            chunk = "\n".join(lines[start : start + LINES_PER_REQUEST])
            try:
                self._writer.write(chunk.encode())
            except StoreRefusedError as error:
                if "not found" not in error.detail:
                    raise
                # The database was dropped while we ran: make it again at the next try.
                self._ready = False
                raise StoreUnavailableError(error.detail) from error

    def _retract(self, readings: Sequence[Reading]) -> None:
        """Delete usable readings that doubtful ones are about to replace.

        The server would keep their value beside the doubtful one, and aggregate it.
        """
        doubtful: dict[SeriesKey, set[int]] = {}
        for reading in readings:
            if reading.flags & NOT_USABLE:
                doubtful.setdefault(reading.key, set()).add(reading.time_us)
        for key, times_us in doubtful.items():
            condition = influxql.of_series(key)
            span = influxql.within(min(times_us), max(times_us) + 1)
            with self._asked(influxql.usable_times(f"{condition} AND {span}")) as series:
                usable = {row[0] for piece in series for row in piece["values"]}
            for time_us in sorted(usable & times_us):
                question = influxql.delete(f"{condition} AND time = {time_us}u")
                with self._asked(question) as series:
                    list(series)

    def read(
        self,
        key: SeriesKey,
        start_us: int,
        end_us: int,
        *,
        flagged: bool = False,
        raw: bool = False,
    ) -> Samples:
        """Readings of one series in [start_us, end_us); see ``Store.read``."""
        start_us, end_us = max(start_us, MIN_TIME_US), min(end_us, MAX_TIME_US + 1)
        condition = f"{influxql.of_series(key)} AND {influxql.within(start_us, end_us)}"
        with self._asked(influxql.read(condition)) as series:
            return influxql.samples(series, flagged=flagged, raw=raw)

    def aggregate(
        self,
        key: SeriesKey,
        start_us: int,
        end_us: int,
        every_us: int,
        *,
        wanted: Collection[Aggregate] = AGGREGATES,
    ) -> Buckets:
        """Usable readings of one series in equal spans, by the server; see ``Store.aggregate``."""
        (found,) = self.aggregates((key,), start_us, end_us, every_us, wanted=wanted)
        return found

    def aggregates(
        self,
        keys: Sequence[SeriesKey],
        start_us: int,
        end_us: int,
        every_us: int,
        *,
        wanted: Collection[Aggregate] = AGGREGATES,
    ) -> list[Buckets]:
        """The same of several series; see ``Store.aggregates``."""
        check_every(every_us)
        start_us, end_us = aligned_span(start_us, end_us, every_us)
        start_us, end_us = max(start_us, MIN_TIME_US), min(end_us, MAX_TIME_US + 1)
        wanted, found = tuple(wanted), dict[SeriesKey, Buckets]()
        for first in range(0, len(keys), _MOST_SERIES):
            chosen = influxql.any_of(map(influxql.of_series, keys[first : first + _MOST_SERIES]))
            condition = f"{chosen} AND {influxql.within(start_us, end_us)}"
            with self._asked(influxql.aggregate(condition, every_us, wanted)) as series:
                found |= influxql.buckets(series, every_us, wanted)
        return [found.get(key) or empty_buckets(every_us) for key in keys]

    def series(self, tank: str | None = None) -> list[SeriesInfo]:
        """The series stored; see ``Store.series``."""
        return self._infos(None if tank is None else influxql.of_tank(tank))

    def series_of(self, tanks: Collection[str]) -> list[SeriesInfo]:
        """The series of some tanks; see ``Store.series_of``."""
        return self._infos(influxql.any_of(map(influxql.of_tank, tanks))) if tanks else []

    def _infos(self, condition: str | None) -> list[SeriesInfo]:
        """The series that meet a condition, sorted."""
        found = self._newest(condition, flagged=True, lately=True)
        held = self._held(condition)
        if held is None:
            found = self._newest(condition, flagged=True)
        elif silent := sorted(held - found.keys()):
            if len(silent) <= _MOST_SERIES:
                condition = influxql.any_of(map(influxql.of_series, silent))
            found |= self._newest(condition, flagged=True)
        return [SeriesInfo(key, found[key]) for key in sorted(found)]

    def _held(self, condition: str | None) -> set[SeriesKey] | None:
        """The series that there may be; None when the server (3.x) cannot say."""
        try:
            with self._asked(influxql.series_held(condition)) as series:
                return influxql.keys_held(series)
        except StoreRefusedError:
            return None

    def _newest(
        self, condition: str | None, *, flagged: bool, lately: bool = False
    ) -> dict[SeriesKey, Reading]:
        """The newest reading of each series; ``lately``: of the last day, which is far faster."""
        if lately:
            recent = influxql.since(time.time_ns() // 1000 - _LATELY_US)
            condition = recent if condition is None else f"{condition} AND {recent}"
        with self._asked(influxql.newest(condition, flagged=flagged)) as series:
            return {one.key: one for one in influxql.newest_readings(series)}

    def extent(self, key: SeriesKey) -> Extent | None:
        """How much a series holds; see ``Store.extent``."""
        condition = influxql.of_series(key)
        last = self.latest(key, flagged=True)
        if last is None:
            return None
        with self._asked(influxql.oldest_time(condition)) as series:
            (first_us,) = [row[0] for piece in series for row in piece["values"]]
        return Extent(self._count(condition), first_us, last.time_us)

    def _count(self, condition: str) -> int:
        with self._asked(influxql.count(condition)) as series:
            return sum(row[1] for piece in series for row in piece["values"])

    def latest(self, key: SeriesKey, *, flagged: bool = False) -> Reading | None:
        """The newest reading of one series; see ``Store.latest``."""
        condition = influxql.of_series(key)
        found = self._newest(condition, flagged=flagged, lately=True)
        return (found or self._newest(condition, flagged=flagged)).get(key)

    def delete_tank(self, tank: str) -> int:
        """Delete all readings of a tank; see ``Store.delete_tank``."""
        condition = influxql.of_tank(tank)
        count = self._count(condition)
        if count:
            with self._asked(influxql.delete(condition)) as series:
                list(series)
        return count

    def _ask(self) -> tuple[bool, str, dict[str, float]]:
        with self._remote.request("GET", "/ping") as answer:
            if not answer.ok:
                return False, "", {}
        return True, "", durability.reported(self._remote, self._database)

    @property
    def _left_out(self) -> int:
        return self._writer.left_out

    def close(self) -> None:
        """Close the connections."""
        self._writer.close()
        self._remote.close()

    @contextmanager
    def _asked(self, question: str) -> Iterator[Iterator[dict[str, Any]]]:
        self._prepare()
        with self._series(question) as series:
            yield series

    @contextmanager
    def _series(self, question: str) -> Iterator[Iterator[dict[str, Any]]]:
        params = {"db": self._database, "epoch": "u", "chunked": "true", "chunk_size": _CHUNK}
        with self._remote.request(
            "POST", "/query", params=params, form=[("q", question)], stream=True
        ) as answer:
            if not answer.ok:
                raise refused(self._remote.base, answer.status_code, answer.text)
            yield influxql.series_of(answer.iter_lines(chunk_size=65536))
