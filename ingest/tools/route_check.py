"""Checks the configured routes before anything is started."""

from __future__ import annotations

from ingest.decode.routes import Router
from service.config import Config


def check_routes(config: Config) -> None:
    """Check that every route can be used.

    Raises:
        ConfigError: a route's topic is no MQTT filter, or leaves tank or quantity open.
    """
    Router(config.mqtt.prefix, config.routes, config.sensors)
