"""Readings in VictoriaMetrics: one server, two that hold the same, or its cluster."""

from __future__ import annotations

import threading
from collections.abc import Collection, Sequence
from typing import Final
from urllib.parse import urlsplit

import numpy as np

from service.science.numeric.sets import distinct
from service.store.buckets import (
    aligned_span,
    buckets_of_samples,
    empty_buckets,
    replaced_buckets,
)
from service.store.checks import MAX_TIME_US, MIN_TIME_US, check_every
from service.store.http import Remote, parse_url, place
from service.store.http_store import RemoteStore
from service.store.model import (
    AGGREGATES,
    Aggregate,
    Buckets,
    Extent,
    Reading,
    Samples,
    SeriesInfo,
    SeriesKey,
)
from service.store.victoriametrics import api as vm_api
from service.store.victoriametrics import history as vm_history
from service.store.victoriametrics.api import Api
from service.store.victoriametrics.history import (
    DOUBTFUL,
    FLAGS,
    RAW,
    VALUE,
    VALUE_TOLERANCE,
    History,
)
from service.store.victoriametrics.nodes import Cluster, Servers
from service.store.victoriametrics.recent_writes import Recent
from service.store.victoriametrics.series import SeriesIndex
from service.store.victoriametrics.write import Writer

_FORM: Final = (
    "victoriametrics://[USER:PASSWORD@]HOST[:8428][/PREFIX], victoriametricss:// for TLS, "
    "?read=HOST:PORT/PREFIX where it is read elsewhere, ?nodes=HOST:PORT,HOST:PORT where several "
    "servers keep the readings, ?token=TOKEN"
)
_EVERYTHING: Final = vm_api.any_of(VALUE, DOUBTFUL, FLAGS, RAW)
_MIN_TIME_MS: Final = MIN_TIME_US // 1000
_MAX_TIME_MS: Final = MAX_TIME_US // 1000 + 1
#: More rewritten spans than this in an aggregate: read all of it instead of patching.
_MOST_PATCHES: Final = 50


class VictoriametricsStore(RemoteStore):
    """A store in a VictoriaMetrics server or cluster.

    A crash of the server loses the last seconds that it had accepted: whoever writes keeps
    batches for ``durable_after_s`` and writes them again when ``started_s`` or ``interruptions``
    of ``health().numbers`` has changed.
    """

    backend = "victoriametrics"
    time_resolution_us = 1000
    durable_after_s = 15.0
    visible_after_s = 10.0
    value_tolerance = VALUE_TOLERANCE

    def __init__(self, api: Api, servers: Servers, remote: Remote, written_to: Remote) -> None:
        """Use a server; see ``from_url``."""
        super().__init__()
        self._api = api
        self._servers = servers
        self._remote = remote
        self._written_to = written_to
        self._recent = Recent()
        self._writer = Writer(api, written_to, self._recent)
        self._index = SeriesIndex(api, self._recent)
        self._settled = False
        self._settle_lock = threading.Lock()

    @classmethod
    def from_url(cls, url: str) -> VictoriametricsStore:
        """Open the store of a URL; a server that is away now is asked again when it is needed.

        Raises:
            ConfigError: the URL is not of the form.
            StoreRefusedError: the credentials are not accepted, or the server's settings would
                lose or double readings.
        """
        options = frozenset({"read", "nodes", "token"})
        address = parse_url(url, "victoriametrics", 8428, options, _FORM)
        scheme = address.base.partition(":")[0]
        written = f"{address.base}/{address.path}".rstrip("/")
        read = written
        if "read" in address.options:
            read = place(scheme, address.options["read"], url, _FORM)
        named = [one.strip() for one in address.options.get("nodes", "").split(",") if one.strip()]
        nodes = [place(scheme, one, url, _FORM) for one in named] or [read]
        token = address.options.get("token", "")
        auth = None if address.user is None else (address.user, address.password or "")
        headers = {"Authorization": f"Bearer {token}"} if token else None

        def remote(base: str) -> Remote:
            return Remote(base, headers=headers, auth=auth)

        relay = None if written in nodes else remote(address.base)
        servers = Servers([remote(base) for base in nodes], relay)
        parts = urlsplit(read)
        cluster = None
        if parts.path.startswith("/select/"):
            cluster = Cluster(remote(f"{parts.scheme}://{parts.netloc}"), parts.path)
        reader = remote(read)
        store = cls(Api(reader, servers, cluster), servers, reader, remote(written))
        return store._opened()

    def _prepare(self) -> None:
        """Look at the servers' settings, once; those of a node that is away when it is back."""
        if self._settled:
            return
        with self._settle_lock:
            self._api.answers()  # unlike its metrics, this needs the credentials
            self._servers.ask()
            self._settled = True

    def _write(self, readings: Sequence[Reading]) -> None:
        # The server drops readings more than two days ahead without a word: they are refused.
        self._writer.write(readings, self._servers.retention_ms)

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
        start_ms, end_ms = -(-start_us // 1000), -(-end_us // 1000)
        return self._history(key, start_ms, end_ms).samples(flagged=flagged, raw=raw)

    def _history(self, key: SeriesKey, start_ms: int, end_ms: int) -> History:
        start_ms, end_ms = max(start_ms, _MIN_TIME_MS), min(end_ms, _MAX_TIME_MS)
        self._prepare()
        chosen = vm_api.selector(_EVERYTHING, vm_api.of_series(key))
        shown = self._api.export([chosen], start_ms, end_ms)
        return vm_history.merged([*shown.values(), self._recent.history(key, start_ms, end_ms)])

    def aggregate(
        self,
        key: SeriesKey,
        start_us: int,
        end_us: int,
        every_us: int,
        *,
        wanted: Collection[Aggregate] = AGGREGATES,
    ) -> Buckets:
        """Usable readings of one series in equal spans, by the server; see ``Store.aggregate``.

        Spans in which readings were rewritten, or written a moment ago, are computed here.
        """
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
        earliest_us, latest_us = aligned_span(MIN_TIME_US, MAX_TIME_US, every_us)
        start_us, end_us = max(start_us, earliest_us), min(end_us, latest_us)
        if every_us % 1000 or end_us <= start_us:
            return [buckets_of_samples(self.read(key, start_us, end_us), every_us) for key in keys]
        self._prepare()
        found: list[Buckets] = []
        for first in range(0, len(keys), vm_api.MOST_NAMED):
            some = keys[first : first + vm_api.MOST_NAMED]
            found += self._aggregates(some, start_us, end_us, every_us, wanted)
        return found

    def _aggregates(
        self,
        keys: Sequence[SeriesKey],
        start_us: int,
        end_us: int,
        every_us: int,
        wanted: Collection[Aggregate],
    ) -> list[Buckets]:
        start_ms, end_ms = start_us // 1000, end_us // 1000
        rewritten = vm_api.selector(
            vm_api.any_of(VALUE, DOUBTFUL), vm_api.of_any_series(keys), 'revision!=""'
        )
        shown = self._api.export([rewritten], start_ms, end_ms)
        changed = {
            key: (
                shown.get(key) or vm_history.nothing(),
                self._recent.history(key, start_ms, end_ms),
            )
            for key in keys
        }
        by_server = self._api.aggregates(keys, start_ms, end_ms, every_us // 1000, wanted)
        span_us = start_us, end_us
        return [
            self._patched(key, span_us, by_server.get(key) or empty_buckets(every_us), changed[key])
            for key in keys
        ]

    def _patched(
        self,
        key: SeriesKey,
        span_us: tuple[int, int],
        by_server: Buckets,
        changed: Sequence[History],
    ) -> Buckets:
        """The buckets of a span of time, with those anew in which readings changed."""
        every_us = by_server.every_us
        times_us = np.concatenate([history.time_ms for history in changed]) * 1000
        spans = distinct(times_us // every_us) * every_us
        if len(spans) > _MOST_PATCHES:
            return buckets_of_samples(self.read(key, *span_us), every_us)
        patches = [
            buckets_of_samples(self.read(key, start, start + every_us), every_us)
            for start in spans.tolist()
        ]
        return replaced_buckets(by_server, spans, patches)

    def series(self, tank: str | None = None) -> list[SeriesInfo]:
        """The series stored; see ``Store.series``."""
        self._prepare()
        return self._index.series(tank)

    def series_of(self, tanks: Collection[str]) -> list[SeriesInfo]:
        """The series of some tanks; see ``Store.series_of``."""
        self._prepare()
        names, found = sorted(tanks), list[SeriesInfo]()
        for first in range(0, len(names), vm_api.MOST_NAMED):
            found += self._index.series_of(names[first : first + vm_api.MOST_NAMED])
        return found

    def extent(self, key: SeriesKey) -> Extent | None:
        """How much a series holds, by reading all of it; see ``Store.extent``."""
        history = self._history(key, _MIN_TIME_MS, _MAX_TIME_MS)
        if not len(history):
            return None
        first_ms, last_ms = int(history.time_ms[0]), int(history.time_ms[-1])
        return Extent(len(history), first_ms * 1000, last_ms * 1000)

    def latest(self, key: SeriesKey, *, flagged: bool = False) -> Reading | None:
        """The newest reading of one series; see ``Store.latest``."""
        self._prepare()
        return self._index.latest(key, flagged=flagged)

    def delete_tank(self, tank: str) -> int:
        """Delete all readings of a tank, by reading all of it first; see ``Store.delete_tank``."""
        with self._writer.lock:
            extents = [self.extent(info.key) for info in self.series(tank)]
            self._api.delete(f"{_EVERYTHING},{vm_api.of_tank(tank)}")
            self._recent.forget_tank(tank)
            self._writer.forget_tank(tank)
            self._index.forget_tank(tank)
        return sum(extent.count for extent in extents if extent is not None)

    def _ask(self) -> tuple[bool, str, dict[str, float]]:
        answers, numbers = self._api.answers(), self._servers.ask()
        return answers, self._servers.away(), numbers

    @property
    def _left_out(self) -> int:
        return self._writer.left_out

    def close(self) -> None:
        """Close the connections."""
        self._written_to.close()
        self._api.close()
