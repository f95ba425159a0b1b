"""Time series of readings behind one small interface."""

from __future__ import annotations

from service.errors import ConfigError
from service.store.interface import Store
from service.store.reading import (
    NOT_USABLE,
    Buckets,
    Extent,
    Flag,
    Reading,
    Samples,
    SeriesInfo,
    SeriesKey,
    StoreHealth,
)
from service.store.sqlite import SqliteStore

__all__ = [
    "NOT_USABLE",
    "Buckets",
    "Extent",
    "Flag",
    "Reading",
    "Samples",
    "SeriesInfo",
    "SeriesKey",
    "Store",
    "StoreHealth",
    "open_store",
]


def open_store(url: str) -> Store:
    """Open the store that a URL names.

    Args:
        url: ``sqlite:///path``.

    Raises:
        ConfigError: the scheme is not known.
        StoreUnavailableError, StoreRefusedError: as the backend finds.
    """
    if url.startswith("sqlite:"):
        return SqliteStore.from_url(url)
    raise ConfigError(f"store.url is {url!r}; allowed: sqlite:///PATH")
