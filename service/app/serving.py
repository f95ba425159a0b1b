"""Serves HTTP and evaluates the tanks until stopped."""

from __future__ import annotations

import logging
import threading

from service.api.server import Server
from service.app.app_factory import create_app
from service.app.application import Application
from service.app.heap import exempt_loaded, trim_heap
from service.app.protection import require_protection
from service.integrations.configured import delivery_targets
from service.pictures.album import sweep_daily
from service.store.daily_check import check_daily
from service.store.pruning import prune_daily
from service.store.retention import RetentionPolicy
from service.store.sqlite.store import SqliteStore

_log = logging.getLogger("littoral.serve")


def serve(application: Application) -> None:
    """Serve until ``application.stopping`` is set.

    Raises:
        ConfigError: the address cannot be listened on, or is open to others without any token.
    """
    guarded = require_protection(application.config, application.registry)
    stop, scheduler = application.stopping, application.scheduler
    server = Server(create_app(application), application.config.http)
    application.registry.retain_targets(delivery_targets(application.config))
    workers = [
        threading.Thread(target=scheduler.run, args=(stop,), name="scheduler"),
        *_upkeep(application),
    ]
    exempt_loaded()
    for worker in workers:
        worker.start()
    _log.info("Littoral answers on %s (read /docs)", server.url)
    if not guarded:
        _log.warning("no token is set up: only this machine may use the service")
    try:
        server.run(stop)
    finally:
        stop.set()
        scheduler.nudge()
        for worker in workers:
            worker.join()
        _log.info("stopped")


def _upkeep(application: Application) -> list[threading.Thread]:
    """Threads that look after pictures, memory and store, and delete what is too old."""
    store, stop = application.store, application.stopping
    of_album = (application.pictures, stop)
    threads = [
        threading.Thread(target=sweep_daily, args=of_album, name="pictures"),
        threading.Thread(target=trim_heap, args=(stop,), name="heap"),
    ]
    if not isinstance(store, SqliteStore):
        return threads
    threads += [threading.Thread(target=check_daily, args=(store, stop), name="store-daily")]
    policy = RetentionPolicy.of_config(application.config.store)
    if not policy.keeps_all:
        given = (store, policy, application.clock, stop)
        threads.append(threading.Thread(target=prune_daily, args=given, name="retention"))
    return threads
