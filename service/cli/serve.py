"""``littoral serve``: the API, the pages and the watch over the tanks."""

from __future__ import annotations

import logging
import threading
from dataclasses import replace
from pathlib import Path

import click

from service.advice.engine.integration import Integration
from service.advice.engine.scheduler import Scheduler
from service.api.context import Context
from service.api.server import Server, is_loopback
from service.cli.parts import Parts, config_option, configuration, opened, stop_signals
from service.cli.web import web_app
from service.config import Config
from service.errors import ConfigError
from service.integrations.metrics.exposition import Metrics
from service.integrations.mqtt_advice import MqttAdvice
from service.integrations.mqtt_integrations import mqtt_outlets_of, patience_of
from service.integrations.webhooks.delivery import webhooks_of
from service.registry.registry import Registry
from service.store.pruning import prune_daily
from service.store.retention import RetentionPolicy
from service.store.sqlite.store import SqliteStore

_log = logging.getLogger("littoral.serve")


@click.command("serve")
@config_option
@click.option("--host", help="Overrides http.host.")
@click.option("--port", type=click.IntRange(0, 65_535), help="Overrides http.port; 0: any free.")
def command(config_file: Path | None, host: str | None, port: int | None) -> None:
    """Serve the API, look after the tanks and tell the outlets, until stopped."""
    config = configuration(config_file)
    http = replace(
        config.http,
        host=config.http.host if host is None else host,
        port=config.http.port if port is None else port,
    )
    with opened(replace(config, http=http)) as parts, stop_signals() as stop:
        serve(parts, stop)


def serve(parts: Parts, stop: threading.Event) -> None:
    """Serve until ``stop`` is set.

    Raises:
        ConfigError: the address cannot be listened on, or is open to others without any token.
    """
    config = parts.config
    guarded = require_protection(config, parts.registry)
    metrics = Metrics(
        parts.store, parts.registry, parts.clock, patience_of(config), config.clock.speed
    )
    told = [*outlets(parts), metrics]
    scheduler = Scheduler(parts.registry, parts.store, parts.clock, config.advice.every_s, told)
    context = Context(
        parts.store, parts.registry, parts.clock, config, scheduler.nudge, closing=stop
    )
    server = Server(web_app(context, metrics), config.http)
    workers = [
        threading.Thread(target=scheduler.run, args=(stop,), name="watch"),
        *_pruning(parts, stop),
    ]
    for worker in workers:
        worker.start()
    _log.info("Littoral answers on %s (read /docs)", server.url)
    if not guarded:
        _log.warning("no token is set up: only this machine is let in")
    try:
        server.run(stop)
    finally:
        stop.set()
        scheduler.nudge()
        for worker in workers:
            worker.join()
        _log.info("stopped")


def _pruning(parts: Parts, stop: threading.Event) -> list[threading.Thread]:
    """The thread that deletes what is older than the configuration keeps; none without an age."""
    policy = RetentionPolicy.of_config(parts.config.store)
    if policy.keeps_all or not isinstance(parts.store, SqliteStore):
        return []
    given = (parts.store, policy, parts.clock, stop)
    return [threading.Thread(target=prune_daily, args=given, name="retention")]


def outlets(parts: Parts) -> list[Integration]:
    """The outlets that the configuration asks for.

    Raises:
        ConfigError: an option of one is wrong.
    """
    found: list[Integration] = [
        *webhooks_of(parts.config.outlets, parts.registry),
        *mqtt_outlets_of(parts.config),
    ]
    if parts.config.advice.publish:
        found.append(MqttAdvice(parts.config.mqtt))
    return found


def require_protection(config: Config, registry: Registry) -> bool:
    """Whether access is by token; without any token only this machine may be listened on.

    Raises:
        ConfigError: the service would be open to other machines.
    """
    guarded = registry.has_tokens()
    if not guarded and not is_loopback(config.http.host):
        raise ConfigError(
            f"http.host is {config.http.host!r}; allowed without any token: a loopback address "
            "such as 127.0.0.1; make a token first with: littoral token create NAME --scope read"
        )
    return guarded
