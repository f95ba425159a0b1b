"""Time series of readings behind one small interface."""

from __future__ import annotations

from service.errors import ConfigError
from service.store.interface import ReadableStore, Store
from service.store.model import (
    AGGREGATES,
    DEFAULT_SENSOR,
    MEAN_ALONE,
    NOT_USABLE,
    Aggregate,
    Buckets,
    Extent,
    Flag,
    Reading,
    Samples,
    SeriesInfo,
    SeriesKey,
    StoreHealth,
)
from service.urls import redacted

__all__ = [
    "AGGREGATES",
    "DEFAULT_SENSOR",
    "MEAN_ALONE",
    "NOT_USABLE",
    "Aggregate",
    "Buckets",
    "Extent",
    "Flag",
    "ReadableStore",
    "Reading",
    "Samples",
    "SeriesInfo",
    "SeriesKey",
    "Store",
    "StoreHealth",
    "open_store",
]


def open_store(url: str, *, create: bool = True, wait: bool = False) -> Store:
    """Open the store that a URL names; imports that store alone.

    Args:
        url: ``sqlite:///path``, ``influx://…`` or ``victoriametrics://…`` (docs/stores.md).
        create: make the file or database when it is missing.
        wait: where the file is missing or damaged, do without it until it is put right.

    Raises:
        ConfigError: the URL is not of a known form.
        NotFoundError: the file or database is missing, and is not to be made.
        StoreRefusedError: the file cannot be used, or the server refuses the credentials.
        StoreUnavailableError: the file cannot be reached now.
    """
    scheme = url.partition(":")[0]
    if scheme == "sqlite":
        from service.store.sqlite.store import SqliteStore

        return SqliteStore.from_url(url, create=create, wait=wait)
    if scheme in ("influx", "influxs"):
        from service.store.influx.store import InfluxStore

        return InfluxStore.from_url(url, create=create)
    if scheme in ("victoriametrics", "victoriametricss"):
        from service.store.victoriametrics.store import VictoriametricsStore

        return VictoriametricsStore.from_url(url)
    raise ConfigError(
        f"store.url is {redacted(url)!r}; allowed: "
        "sqlite:///PATH, influx://HOST/DATABASE, victoriametrics://HOST"
    )
