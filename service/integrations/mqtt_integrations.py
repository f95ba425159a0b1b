"""The outlets over MQTT that the configuration asks for by name."""

from __future__ import annotations

from typing import Final

from service.config import Config
from service.errors import ConfigError
from service.integrations.homie.publisher import Homie
from service.integrations.hub.publisher import Hub
from service.integrations.mqtt_options import homie_options, hub_options

LOOKS_MISSED: Final = 3
LEAST_PATIENCE_S: Final = 60.0
"""Values count for three looks that did not come, and a minute at least. Our choice."""


def patience_of(config: Config) -> float:
    """Machine seconds for which what a look found counts."""
    return max(LOOKS_MISSED * config.advice.every_s, LEAST_PATIENCE_S)


def mqtt_outlets_of(config: Config) -> list[Homie | Hub]:
    """An outlet for each one of kind ``homie`` or ``hub`` in the configuration.

    Raises:
        ConfigError: an option is unknown or not allowed, or two outlets would share their topics.
    """
    patience_s = patience_of(config)
    found: list[Homie | Hub] = []
    taken: dict[tuple[str, ...], str] = {}
    for one in config.outlets:
        if one.kind == "homie":
            homie = homie_options(one)
            key: tuple[str, ...] = ("homie", homie.prefix, homie.device)
            found.append(Homie(one, config.mqtt, patience_s))
        elif one.kind == "hub":
            key = ("hub", hub_options(one).device)
            found.append(Hub(one, config.mqtt, patience_s))
        else:
            continue
        if key in taken:
            raise ConfigError(
                f"outlet.{one.name}.device is {key[-1]!r}, as in outlet.{taken[key]}; "
                "allowed: another one"
            )
        taken[key] = one.name
    return found
