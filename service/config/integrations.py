"""What ``[[integration]]`` may say: a kind, a name, and the options of that kind."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping
from ipaddress import ip_address, ip_network
from typing import Any, Final
from urllib.parse import urlsplit

from marshmallow import Schema, ValidationError, post_load, pre_load, validates_schema
from marshmallow import fields as f

from service.config.addresses import Network, Networks, is_public
from service.config.email import EmailOptions, EmailSchema
from service.config.fields import (
    TOPIC_LEVELS,
    Section,
    in_words,
    number,
    one_of,
    text,
    whole_number,
)
from service.config.integration_values import (
    DISCOVERY_BY_DEVICE,
    DISCOVERY_BY_ENTITY,
    HomieOptions,
    HubOptions,
    IntegrationConfig,
    WebhookOptions,
)
from service.errors import Refusal

SECRET_PREFIX: Final = "whsec_"
SECRET_BYTES: Final = range(24, 65)
"""Length of a key, by the Standard Webhooks specification."""
SECRET_ALLOWED: Final = f"{SECRET_PREFIX} and 24 to 64 bytes in base64"
LONGEST_EMAIL_NAME: Final = 32
"""Deliveries are stored by ``name/recipient``, which takes 64 characters at most."""
_URL_ALLOWED: Final = (
    "https://HOST/PATH, or http:// to an address in allow_networks; no user and password"
)


def secret_bytes(text: str) -> bytes:
    """The bytes of a webhook's shared secret.

    Raises:
        ValueError: not what ``SECRET_ALLOWED`` describes; the secret is not repeated.
    """
    if text.startswith(SECRET_PREFIX):
        try:
            key = base64.b64decode(text.removeprefix(SECRET_PREFIX), validate=True)
        except (binascii.Error, ValueError):
            key = b""
        if len(key) in SECRET_BYTES:
            return key
    raise ValueError("not a secret")


class _Secret(f.String):
    def _deserialize(self, *args: Any, **kwargs: Any) -> Any:
        try:
            return secret_bytes(super()._deserialize(*args, **kwargs))
        except ValueError as error:
            raise ValidationError("not a secret") from error


class _Network(f.String):
    def _deserialize(self, *args: Any, **kwargs: Any) -> Any:
        try:
            return ip_network(super()._deserialize(*args, **kwargs))
        except ValueError as error:
            raise ValidationError("not a network") from error


class _WebhookSchema(Section):
    target = WebhookOptions
    url = text(_URL_ALLOWED, required=True)
    secret = _Secret(metadata={"allowed": f"either {SECRET_ALLOWED}, or secret_file"})
    secret_file = text("path of a file that holds the secret")
    allow_networks = f.List(
        _Network(),
        metadata={"allowed": "a list of networks that may be private, as in 192.168.1.0/24"},
    )
    ca_file = text("path of the certificates to trust instead of the system's")
    timeout_s = number(1, 60, "s")
    attempts = whole_number(1, 1000)
    source = text("a URI or path that names this service in its events", r"\S+")

    @validates_schema
    def _check_secret(self, data: dict[str, Any], **_: Any) -> None:
        if ("secret" in data) == ("secret_file" in data):
            raise ValidationError({"secret": ["one of the two is needed"]})

    @validates_schema
    def _check_url(self, data: dict[str, Any], **_: Any) -> None:
        if refusal := _refused_url(data["url"], data.get("allow_networks", ())):
            raise ValidationError({"url": [refusal]})

    @post_load
    def _build(self, data: dict[str, Any], **_: Any) -> Any:
        networks: list[Network] = data.get("allow_networks", [])
        return WebhookOptions(**{**data, "allow_networks": tuple(networks)})


def _refused_url(url: str, networks: Networks) -> Refusal | None:
    """What is wrong with a webhook's address; None if nothing is."""
    try:
        parts = urlsplit(url)
        complete = parts.scheme in ("http", "https") and parts.hostname and parts.port != 0
    except ValueError:
        complete = False
    # Credentials would end up in logs; a secret that the URL must carry belongs in its path.
    if not complete or parts.username is not None or parts.fragment or any(map(str.isspace, url)):
        return Refusal(url, _URL_ALLOWED)
    if parts.scheme == "http" and not networks:
        return Refusal(url, _URL_ALLOWED)
    try:
        address = ip_address(parts.hostname or "")
    except ValueError:
        return None  # a name: its addresses are checked at each connection
    if is_public(address) or any(address in network for network in networks):
        return None
    return Refusal(url, "a public address, or one in allow_networks")


def _topic_levels(example: str) -> f.String:
    return text(f"topic levels without wildcards, as in {example}", TOPIC_LEVELS)


def _device() -> f.String:
    return text("1 to 64 of a-z, 0-9 and -, not at an end", r"[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?")


class _HomieSchema(Section):
    target = HomieOptions
    prefix = _topic_levels("homie")
    device = _device()
    alerts = one_of("info", "advice", "warning", "urgent")


class _HubSchema(Section):
    target = HubOptions
    prefix = _topic_levels("homeassistant")
    device = _device()
    status_topic = _topic_levels("homeassistant/status")
    expire_after_s = whole_number(10, 86_400)
    discovery = one_of(DISCOVERY_BY_ENTITY, DISCOVERY_BY_DEVICE)
    buttons = f.Boolean(metadata={"allowed": "true or false"})


_KINDS: Final[Mapping[str, type[Schema]]] = {
    "webhook": _WebhookSchema,
    "homie": _HomieSchema,
    "hub": _HubSchema,
    "email": EmailSchema,
}


class Options(f.Field[Any]):
    """A table whose keys depend on the ``kind`` beside it."""

    @staticmethod
    def schema(integration: Any) -> Schema | None:
        """The schema for the options of one integration; None for an unknown kind."""
        kind = integration.get("kind") if isinstance(integration, Mapping) else None
        found = _KINDS.get(kind) if isinstance(kind, str) else None
        return None if found is None else found()

    def _deserialize(self, value: Any, attr: str | None, data: Any, **_: Any) -> Any:
        schema = self.schema(data)
        if schema is None:
            return None  # the kind itself is refused
        if not isinstance(value, Mapping):
            raise ValidationError("not a table")
        return schema.load(value)


class IntegrationSchema(Section):
    """One integration."""

    target = IntegrationConfig
    kind = one_of(
        *_KINDS,
        required=True,
        about=f"{', '.join(_KINDS)}; as many as you need: docs/integrations.md",
        example="homie",
    )
    name = text(
        "1 to 64 of a-z, 0-9 and -; of email 1 to 32",
        r"[a-z0-9-]{1,64}",
        required=True,
        about="of your choice; each its own",
        example="homie",
    )
    options = Options(
        metadata=in_words(
            "a table of options", {"about": "belong to the kind", "example": {"alerts": "warning"}}
        )
    )

    @pre_load
    def _with_options(self, data: Any, **_: Any) -> Any:
        return {"options": {}, **data} if isinstance(data, Mapping) else data

    @post_load
    def _build(self, data: dict[str, Any], **_: Any) -> Any:
        return IntegrationConfig(data["name"], data["options"])


def check_distinct(integrations: list[IntegrationConfig]) -> None:
    """Refuse two of the same name, and two that would publish on the same topics.

    Raises:
        ValidationError: by index and key.
    """
    names: dict[object, int] = {}
    faults: dict[int, dict[str, Any]] = {}
    for index, one in enumerate(integrations):
        if (other := names.setdefault(one.name, index)) != index:
            faults[index] = {"name": [Refusal(one.name, f"another than integration.{other}.name")]}
        if isinstance(one.options, EmailOptions) and len(one.name) > LONGEST_EMAIL_NAME:
            faults.setdefault(index, {})["name"] = [
                Refusal(one.name, "1 to 32 characters for kind email")
            ]
        if not isinstance(one.options, HomieOptions | HubOptions):
            continue
        if (other := names.setdefault(one.options.topics, index)) != index:
            refusal = Refusal(one.options.device, f"another than integration.{other} has")
            faults.setdefault(index, {})["options"] = {"device": [refusal]}
    if faults:
        raise ValidationError({"integration": faults})
