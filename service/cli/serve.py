"""``littoral serve``: the API, the pages and the watch over the tanks."""

from __future__ import annotations

import ipaddress
import logging
import threading
from pathlib import Path

import click
from waitress.server import create_server

from service.api.app import create_app
from service.api.context import Context
from service.cli.parts import Parts, config_option, configuration, opened, stop_signals
from service.config import Config
from service.errors import ConfigError
from service.outlets.mqtt_advice import MqttAdvice
from service.outlets.outlet import Outlet
from service.outlets.watch import Watch
from service.outlets.webhooks import webhooks_of
from service.tanks.registry import Registry

_log = logging.getLogger("littoral.serve")


@click.command("serve")
@config_option
def command(config_file: Path | None) -> None:
    """Serve the API, look after the tanks and tell the outlets, until stopped."""
    config = configuration(config_file)
    with opened(config) as parts, stop_signals() as stop:
        serve(parts, stop)


def serve(parts: Parts, stop: threading.Event) -> None:
    """Serve until ``stop`` is set.

    Raises:
        ConfigError: the address cannot be listened on, or is open to others without any token.
    """
    config = parts.config
    _require_protection(config, parts.registry)
    watch = Watch(parts.registry, parts.store, parts.clock, config.advice.every_s, _outlets(parts))
    app = create_app(Context(parts.store, parts.registry, parts.clock, config))
    try:
        server = create_server(
            app,
            host=config.http.host,
            port=config.http.port,
            threads=config.http.threads,
            ident="littoral",
        )
    except OSError as error:
        raise ConfigError(
            f"http.port is {config.http.port}: cannot be listened on at {config.http.host}: "
            f"{error.strerror}; choose another in [http] port or LITTORAL_HTTP__PORT"
        ) from error
    looking = threading.Thread(target=watch.run, args=(stop,), name="watch")
    answering = threading.Thread(target=server.run, name="http", daemon=True)
    looking.start()
    answering.start()
    _log.info("serving at http://%s:%d", config.http.host, config.http.port)
    try:
        while not stop.wait(0.2) and answering.is_alive():
            continue
    finally:
        stop.set()
        server.close()
        watch.nudge()
        looking.join()
        _log.info("stopped")


def _outlets(parts: Parts) -> list[Outlet]:
    outlets: list[Outlet] = [*webhooks_of(parts.config.outlets, parts.registry)]
    if parts.config.advice.publish:
        outlets.append(MqttAdvice(parts.config.mqtt))
    return outlets


def _require_protection(config: Config, registry: Registry) -> None:
    """Refuse to be reachable from other machines while nobody needs a token."""
    if registry.has_tokens():
        return
    if not _is_loopback(config.http.host):
        raise ConfigError(
            f"http.host is {config.http.host!r}; allowed without any token: a loopback address "
            "such as 127.0.0.1; make a token first with: littoral token create NAME --scope read"
        )
    _log.warning("no token is set up: listening on loopback only, open to this machine's users")


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
