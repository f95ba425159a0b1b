"""Where a webhook goes: its options in the configuration, checked at the start."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping
from dataclasses import dataclass
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from service.config import OutletConfig
from service.errors import ConfigError
from service.integrations.webhooks.checked_address import is_public

SECRET_PREFIX: Final = "whsec_"
SECRET_BYTES: Final = range(24, 65)
"""Length of a key, by the Standard Webhooks specification."""

OPTIONS: Final[Mapping[str, str]] = {
    "url": "https://HOST/PATH, or http:// to an address in allow_networks",
    "secret": f"{SECRET_PREFIX} and 24 to 64 bytes in base64",
    "secret_file": "path of a file that holds the secret",
    "allow_networks": "a list of networks that may be private, as in 192.168.1.0/24",
    "ca_file": "path of the certificates to trust instead of the system's",
    "timeout_s": "seconds from 1 to 60",
    "attempts": "a whole number from 1 to 1000",
    "source": "a URI or path that names this service in its events",
}


@dataclass(frozen=True, slots=True)
class WebhookTarget:
    """One receiver.

    Attributes:
        name: of the outlet in the configuration; the registry's deliveries carry it.
        url: where events are posted.
        key: the shared secret's bytes.
        allow_networks: networks that may be sent to although they are not public.
        ca_file: certificates to trust instead of the system's.
        timeout_s: for connecting, and for each wait on an answer.
        attempts: how many before a delivery is dead; 80 take about three days.
        source: ``source`` of the CloudEvents.
    """

    name: str
    url: str
    key: bytes
    allow_networks: tuple[IPv4Network | IPv6Network, ...] = ()
    ca_file: str | None = None
    timeout_s: float = 10.0
    attempts: int = 80
    source: str = "/littoral"


def target_of(outlet: OutletConfig) -> WebhookTarget:
    """Check the options of a webhook.

    Raises:
        ConfigError: an option is missing, unknown, or not allowed.
    """
    options = outlet.options
    for key in options:
        if key not in OPTIONS:
            raise ConfigError(
                f"outlet.{outlet.name}: no option {key!r}; allowed: {', '.join(OPTIONS)}"
            )
    networks = _networks(outlet)
    return WebhookTarget(
        name=outlet.name,
        url=_url(outlet, networks),
        key=_key(outlet),
        allow_networks=networks,
        ca_file=_file(outlet, "ca_file"),
        timeout_s=_number(outlet, "timeout_s", 10.0, 1, 60),
        attempts=int(_number(outlet, "attempts", 80, 1, 1000, whole=True)),
        source=_text(outlet, "source", "/littoral"),
    )


def _refuse(outlet: OutletConfig, key: str, value: object) -> ConfigError:
    shown = "not told here" if key == "secret" and value is not None else repr(value)
    return ConfigError(f"outlet.{outlet.name}.{key} is {shown}; allowed: {OPTIONS[key]}")


def _text(outlet: OutletConfig, key: str, default: str) -> str:
    value = outlet.options.get(key, default)
    if not isinstance(value, str) or not value.strip():
        raise _refuse(outlet, key, value)
    return value


def _number(
    outlet: OutletConfig, key: str, default: float, low: float, high: float, *, whole: bool = False
) -> float:
    value: Any = outlet.options.get(key, default)
    kinds = (int,) if whole and key in outlet.options else (int, float)
    if isinstance(value, bool) or not isinstance(value, kinds) or not low <= value <= high:
        raise _refuse(outlet, key, value)
    return value


def _networks(outlet: OutletConfig) -> tuple[IPv4Network | IPv6Network, ...]:
    texts = outlet.options.get("allow_networks", [])
    if not isinstance(texts, list | tuple):
        raise _refuse(outlet, "allow_networks", texts)
    networks = []
    for text in texts:
        try:
            networks.append(ip_network(text))
        except ValueError as error:
            raise _refuse(outlet, "allow_networks", text) from error
    return tuple(networks)


def _url(outlet: OutletConfig, networks: tuple[IPv4Network | IPv6Network, ...]) -> str:
    url = outlet.options.get("url")
    if not isinstance(url, str):
        raise _refuse(outlet, "url", url)
    try:
        parts = urlsplit(url)
        fits = parts.scheme in ("http", "https") and parts.hostname and parts.port != 0
    except ValueError:
        fits = False
    # Credentials would end up in logs; a secret that the URL must carry belongs in its path.
    if not fits or parts.username is not None or parts.fragment or any(map(str.isspace, url)):
        raise _refuse(outlet, "url", url)
    if parts.scheme == "http" and not networks:
        raise _refuse(outlet, "url", url)
    try:
        address = ip_address(parts.hostname or "")
    except ValueError:
        return url  # a name: its addresses are checked at each connection
    if not is_public(address) and not any(address in network for network in networks):
        raise ConfigError(
            f"outlet.{outlet.name}.url is {url!r}, a private address; "
            f"allowed: a public one, or one in allow_networks"
        )
    return url


def _key(outlet: OutletConfig) -> bytes:
    path = _file(outlet, "secret_file")
    if (path is None) == ("secret" not in outlet.options):
        raise ConfigError(
            f"outlet.{outlet.name}: one of secret and secret_file is needed, and only one; "
            f"allowed as secret: {OPTIONS['secret']}"
        )
    text = outlet.options.get("secret") if path is None else Path(path).read_text().strip()
    if not isinstance(text, str) or not text.startswith(SECRET_PREFIX):
        raise _refuse(outlet, "secret", text)
    try:
        key = base64.b64decode(text.removeprefix(SECRET_PREFIX), validate=True)
    except (binascii.Error, ValueError) as error:
        raise _refuse(outlet, "secret", text) from error
    if len(key) not in SECRET_BYTES:
        raise _refuse(outlet, "secret", text)
    return key


def _file(outlet: OutletConfig, key: str) -> str | None:
    path = outlet.options.get(key)
    if path is None:
        return None
    if not isinstance(path, str) or not Path(path).is_file():
        raise _refuse(outlet, key, path)
    return path
