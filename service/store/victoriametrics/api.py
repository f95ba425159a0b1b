"""The calls to VictoriaMetrics that read, export and aggregates over spans, and deletion."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from typing import Any, Final

import numpy as np

from service.store.http import Remote, refused
from service.store.line_protocol import key_of_tags, tag_of_name
from service.store.model import Aggregate, Buckets, SeriesKey
from service.store.victoriametrics.history import DOUBTFUL, VALUE, History, of_export
from service.store.victoriametrics.nodes import Cluster, Servers

#: Far below the server's own limit of 30,000 points for each series.
_POINTS_PER_REQUEST: Final = 8_000

#: Series or tanks that one question names: the server takes 16 kB (``-search.maxQueryLen``).
MOST_NAMED: Final = 100
#: What stands for something else in a regular expression (RE2).
_SPECIAL: Final = re.compile(r"([.+*?()|\[\]{}^$\\])")

_Rows = dict[str, dict[int, float]]
"""By aggregate, the values by the start of their span."""


def selector(*conditions: str) -> str:
    """A selector of series from its conditions."""
    return "{" + ",".join(conditions) + "}"


def of_series(key: SeriesKey) -> str:
    """The condition that selects one series."""
    return ",".join(_equal(name, getattr(key, name)) for name in ("tank", "quantity", "sensor"))


def of_any_series(keys: Collection[SeriesKey]) -> str:
    """A condition that selects some series, and perhaps others with names of these."""
    if len(keys) == 1:
        return of_series(*keys)
    return ",".join(
        _one_of(name, {getattr(key, name) for key in keys})
        for name in ("tank", "quantity", "sensor")
    )


def of_tank(tank: str | None) -> str:
    """The condition that selects one tank's series, or all."""
    return 'tank!=""' if tank is None else _equal("tank", tank)


def of_tanks(tanks: Collection[str]) -> str:
    """The condition that selects the series of some tanks."""
    return _one_of("tank", tanks)


def any_of(*metrics: str) -> str:
    """The condition that selects metrics by name."""
    return f'__name__=~"{"|".join(metrics)}"'


def _equal(label: str, name: str) -> str:
    return f'{label}="{_quoted(tag_of_name(name))}"'


def _one_of(label: str, names: Iterable[str]) -> str:
    choices = "|".join(_SPECIAL.sub(r"\\\1", tag_of_name(name)) for name in sorted(names))
    return f'{label}=~"{_quoted(choices)}"'


def _quoted(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')


class Api:
    """One server's, or cluster's, calls for reading."""

    def __init__(self, remote: Remote, servers: Servers, cluster: Cluster | None = None) -> None:
        """Use a server.

        Args:
            remote: with the address before ``/api/v1``.
            servers: those that keep the readings; deletion goes to each.
            cluster: None where there is none; it deletes on its nodes itself.
        """
        self._remote = remote
        self._servers = servers
        self._cluster = cluster

    def export(
        self, selectors: Sequence[str], start_ms: int, end_ms: int
    ) -> dict[SeriesKey, History]:
        """What the server shows of the selected series in [start_ms, end_ms)."""
        if end_ms <= start_ms:
            return {}
        form = [("match[]", one) for one in selectors]
        form += [("start", _seconds(start_ms)), ("end", _seconds(end_ms - 1))]
        form += [("max_rows_per_line", "50000")]
        with self._remote.request("POST", "/api/v1/export", form=form, stream=True) as answer:
            if not answer.ok:
                raise refused(self._remote.base, answer.status_code, answer.text)
            return of_export(answer.iter_lines(chunk_size=65536))

    def last_times_ms(self, condition: str, start_ms: int, end_ms: int) -> dict[SeriesKey, int]:
        """The time of the newest reading, usable or not, of each series that has one."""
        found: dict[SeriesKey, int] = {}
        chosen = selector(any_of(VALUE, DOUBTFUL), condition)
        newest = f"tlast_over_time({chosen}[{end_ms - start_ms}ms])"
        query = f"max({newest}) by (tank, quantity, sensor)"
        for series in self._query("/api/v1/query", query, {"time": _seconds(end_ms - 1)}):
            found[key_of_tags(series["metric"])] = round(float(series["value"][1]) * 1000)
        return found

    def keys(self, condition: str, start_ms: int, end_ms: int) -> set[SeriesKey]:
        """The series that have readings, usable or not; cheap, and may name some without."""
        form = [("match[]", selector(any_of(VALUE, DOUBTFUL), condition))]
        form += [("start", _seconds(start_ms)), ("end", _seconds(end_ms - 1))]
        with self._remote.request("POST", "/api/v1/series", form=form) as answer:
            if not answer.ok:
                raise refused(self._remote.base, answer.status_code, answer.text)
            return {key_of_tags(metric) for metric in answer.json()["data"]}

    def aggregates(
        self,
        keys: Collection[SeriesKey],
        start_ms: int,
        end_ms: int,
        every_ms: int,
        wanted: Collection[Aggregate],
    ) -> dict[SeriesKey, Buckets]:
        """Buckets of the usable readings that were never rewritten, of each series that has any.

        Args:
            keys: those that are asked for; others may come with them.
            start_ms, end_ms: multiples of ``every_ms``.
            wanted: the columns to fill; the others are NaN.
        """
        step = _POINTS_PER_REQUEST * every_ms
        chosen = VALUE + selector(of_any_series(keys), 'revision=""')
        names = ["count", *("sum" if name == "mean" else name for name in wanted)]
        functions = ",".join(f'"{name}_over_time"' for name in names)
        query = f"aggr_over_time(({functions}), {chosen}[{every_ms}ms])"
        rows: dict[SeriesKey, _Rows] = defaultdict(lambda: {name: {} for name in names})
        for low in range(start_ms, end_ms, step):
            high = min(low + step, end_ms)
            # A window is open at its start: (t - every, t]. So each ends a millisecond early.
            params = {
                "start": _seconds(low + every_ms - 1),
                "end": _seconds(high - 1),
                "step": f"{every_ms}ms",
            }
            for series in self._query("/api/v1/query_range", query, params):
                name = series["metric"]["rollup"].removesuffix("_over_time")
                row = rows[key_of_tags(series["metric"])][name]
                for time_s, value in series["values"]:
                    row[round(time_s * 1000) + 1 - every_ms] = float(value)
        return {key: _buckets(found, every_ms) for key, found in rows.items()}

    def _query(self, path: str, query: str, params: dict[str, str]) -> Iterable[dict[str, Any]]:
        form = [("query", query), ("nocache", "1"), *params.items()]
        with self._remote.request("POST", path, form=form) as answer:
            if not answer.ok:
                raise refused(self._remote.base, answer.status_code, answer.text)
            result: list[dict[str, Any]] = answer.json()["data"]["result"]
            return result

    def delete(self, condition: str) -> None:
        """Delete the selected series, on every node."""
        form = [("match[]", selector(condition))]
        if self._cluster is None:
            self._servers.delete(form)
        else:
            self._cluster.delete(form)

    def close(self) -> None:
        """Close the connections."""
        self._remote.close()
        self._servers.close()
        if self._cluster is not None:
            self._cluster.close()

    def answers(self) -> bool:
        """Whether it answers a question that needs no data."""
        with self._remote.request("GET", "/api/v1/query", params={"query": "1"}) as answer:
            return answer.ok


def _seconds(time_ms: int) -> str:
    return f"{time_ms // 1000}.{time_ms % 1000:03}"


def _buckets(rows: _Rows, every_ms: int) -> Buckets:
    starts = sorted(rows["count"])
    columns = {
        name: np.full(len(starts), np.nan) for name in ("sum", "min", "max", "first", "last")
    }
    for name, row in rows.items():
        columns[name] = np.array([row[start] for start in starts], np.float64)
    count = columns.pop("count").astype(np.int64)
    return Buckets(np.array(starts, np.int64) * 1000, every_ms * 1000, count, **columns)
