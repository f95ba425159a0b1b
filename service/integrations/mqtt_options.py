"""Options of outlets over MQTT, checked at the start."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from service.advice.engine.recommendation import Severity
from service.config import OutletConfig
from service.errors import ConfigError

_LEVEL: Final = re.compile(r"[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?")
_TOPIC: Final = re.compile(r"[^+#\s/]+(/[^+#\s/]+)*")
_SEVERITIES: Final = {severity.word: severity for severity in Severity}

HOMIE_OPTIONS: Final[Mapping[str, str]] = {
    "prefix": "topic levels without wildcards, as in homie",
    "device": "1 to 64 of a-z, 0-9 and -, not at an end",
    "alerts": ", ".join(_SEVERITIES),
}
HUB_OPTIONS: Final[Mapping[str, str]] = {
    "prefix": "topic levels without wildcards, as in homeassistant",
    "device": "1 to 64 of a-z, 0-9 and -, not at an end",
    "status_topic": "a topic without wildcards",
    "expire_after_s": "a whole number from 10 to 86400",
}


@dataclass(frozen=True, slots=True)
class HomieOptions:
    """How the Homie outlet speaks.

    Attributes:
        prefix: first level(s) of all topics.
        device: id of the root device; tanks are ``<device>-<tank>``.
        alerts: lowest severity that is told as an alert.
    """

    prefix: str = "homie"
    device: str = "littoral"
    alerts: Severity = Severity.WARNING


@dataclass(frozen=True, slots=True)
class HubOptions:
    """How the hub outlet speaks.

    Attributes:
        prefix: discovery prefix of the hub.
        device: first part of the ids of devices and sensors.
        status_topic: where the hub says ``online`` when it starts.
        expire_after_s: a value counts for so long; None: by how often tanks are looked at.
    """

    prefix: str = "homeassistant"
    device: str = "littoral"
    status_topic: str = "homeassistant/status"
    expire_after_s: int | None = None


def homie_options(outlet: OutletConfig) -> HomieOptions:
    """Check the options of a Homie outlet.

    Raises:
        ConfigError: an option is unknown or not allowed.
    """
    _check_keys(outlet, HOMIE_OPTIONS)
    default = HomieOptions()
    word = _text(outlet, HOMIE_OPTIONS, "alerts", default.alerts.word, re.compile("[a-z]+"))
    if word not in _SEVERITIES:
        raise _refuse(outlet, HOMIE_OPTIONS, "alerts", word)
    return HomieOptions(
        prefix=_text(outlet, HOMIE_OPTIONS, "prefix", default.prefix, _TOPIC),
        device=_text(outlet, HOMIE_OPTIONS, "device", default.device, _LEVEL),
        alerts=_SEVERITIES[word],
    )


def hub_options(outlet: OutletConfig) -> HubOptions:
    """Check the options of a hub outlet.

    Raises:
        ConfigError: an option is unknown or not allowed.
    """
    _check_keys(outlet, HUB_OPTIONS)
    default = HubOptions()
    prefix = _text(outlet, HUB_OPTIONS, "prefix", default.prefix, _TOPIC)
    return HubOptions(
        prefix=prefix,
        device=_text(outlet, HUB_OPTIONS, "device", default.device, _LEVEL),
        status_topic=_text(outlet, HUB_OPTIONS, "status_topic", f"{prefix}/status", _TOPIC),
        expire_after_s=_expiry(outlet),
    )


def _check_keys(outlet: OutletConfig, known: Mapping[str, str]) -> None:
    for key in outlet.options:
        if key not in known:
            raise ConfigError(
                f"outlet.{outlet.name}: no option {key!r}; allowed: {', '.join(known)}"
            )


def _refuse(outlet: OutletConfig, known: Mapping[str, str], key: str, value: object) -> ConfigError:
    return ConfigError(f"outlet.{outlet.name}.{key} is {value!r}; allowed: {known[key]}")


def _text(
    outlet: OutletConfig,
    known: Mapping[str, str],
    key: str,
    default: str,
    pattern: re.Pattern[str],
) -> str:
    value = outlet.options.get(key, default)
    if not isinstance(value, str) or not pattern.fullmatch(value):
        raise _refuse(outlet, known, key, value)
    return value


def _expiry(outlet: OutletConfig) -> int | None:
    value = outlet.options.get("expire_after_s")
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not 10 <= value <= 86_400:
        raise _refuse(outlet, HUB_OPTIONS, "expire_after_s", value)
    return value
