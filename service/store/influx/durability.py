"""What an InfluxDB server reports of its start, and of readings that are in its log alone.

1.x: ``/debug/vars`` ("InfluxDB server monitoring" of its documentation) has the start and the cache
of each shard. 2.x and 3.x: ``/metrics`` has the start; nothing is taken from it about the cache.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from service.store.http import Remote
from service.times import parse_moment


def reported(remote: Remote, database: str) -> dict[str, float]:
    """``started_s``, and ``unsaved_s`` where the server says it, for ``Store.health``."""
    with remote.request("GET", "/debug/vars") as answer:
        # 2.x answers unknown paths with its own page.
        if answer.ok and "json" in answer.headers.get("Content-Type", ""):
            return of_variables(answer.json(), database)
    with remote.request("GET", "/metrics") as answer:
        return of_metrics(answer.text.splitlines() if answer.ok else ())


def of_variables(document: Mapping[str, Any], database: str) -> dict[str, float]:
    """The numbers in the document ``/debug/vars`` of 1.x.

    ``unsaved_s`` is how long ago the oldest reading came that may be in the log alone; absent while
    a cache is being moved to a file, as it says nothing of that until it is done.
    """
    found = {}
    if "system" in document:
        found["started_s"] = parse_moment(document["system"]["started"]).timestamp()
    caches = [
        one["values"]
        for one in document.values()
        if isinstance(one, Mapping)
        and one.get("name") == "tsm1_cache"
        and one["tags"]["database"] == database
    ]
    if not any(cache["diskBytes"] for cache in caches):
        ages_ms = [cache["cacheAgeMs"] for cache in caches if cache["memBytes"]]
        found["unsaved_s"] = max(ages_ms, default=0) / 1000
    return found


def of_metrics(lines: Iterable[str]) -> dict[str, float]:
    """The start in the text of ``/metrics``, named as Prometheus' client for Go names it."""
    for line in lines:
        name, _, value = line.rpartition(" ")
        if name == "process_start_time_seconds":
            return {"started_s": float(value)}
    return {}
