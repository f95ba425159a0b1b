"""Tells the first start from one at which a database is lost: nothing is made in its place.

The registry notes which store there was. The store speaks for the registry: one with readings had
tanks. Where both are missing, nobody knows more than at the first start.
"""

from __future__ import annotations

from typing import Final

from service.clock import Clock
from service.config import Config
from service.errors import LittoralError, NotFoundError
from service.private_files import state_of_missing
from service.registry.database.connection import path_of_url as registry_path
from service.registry.registry import Registry
from service.store import Store, open_store
from service.store.sqlite.file import path_of_url as store_path
from service.times import format_moment

_KNOWN: Final = "store:"
"""Begins the name of the status that says that a store was there."""


def open_known_store(url: str, registry: Registry, clock: Clock, *, make_anew: bool) -> Store:
    """Open the store, and make it if it never was there.

    One that was there and is missing or damaged is waited for (``open_store``).

    Args:
        make_anew: also make one that was there.

    Raises:
        LittoralError: it cannot be opened.
    """
    if not url.startswith("sqlite:"):
        return open_store(url)
    path = store_path(url).absolute()
    name = f"{_KNOWN}{path}"
    known = name in registry.statuses()
    store = open_store(url, create=make_anew or not known, wait=known and not make_anew)
    if not known:
        registry.put_status(name, {"time": format_moment(clock.now())})
    return store


def refuse_lost_registry(config: Config) -> None:
    """Refuse to make a new registry for a store that has readings.

    Raises:
        NotFoundError: the registry's file is missing, and the store's has readings.
    """
    path = registry_path(config.registry.url)
    if path is None or not config.store.url.startswith("sqlite:"):
        return
    state, store = state_of_missing(path), store_path(config.store.url)
    if not state or state_of_missing(store):
        return
    tanks = _tanks_of(config.store.url)
    if tanks:
        raise NotFoundError(
            f"registry.url: {path} {state}, but the store has readings of {', '.join(tanks[:5])}; "
            "put the registry back, restore a backup, or make an empty one with: "
            "littoral check --create"
        )


def _tanks_of(url: str) -> list[str]:
    """The tanks of a store; none where it cannot be read."""
    try:
        store = open_store(url, create=False)
    except LittoralError:
        return []
    try:
        return sorted({info.key.tank for info in store.series()})
    except LittoralError:
        return []
    finally:
        store.close()
