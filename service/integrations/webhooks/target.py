"""Where a webhook goes: its options, and the files that they name."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from service.config import WebhookOptions
from service.config.integrations import SECRET_ALLOWED, secret_bytes
from service.errors import ConfigError


@dataclass(frozen=True, slots=True)
class WebhookTarget:
    """One receiver.

    Attributes:
        name: of the integration in the configuration; the registry's deliveries carry it.
        key: the shared secret's bytes.
        options: as configured.
    """

    name: str
    key: bytes
    options: WebhookOptions


def webhook_target(name: str, options: WebhookOptions) -> WebhookTarget:
    """Read the files that the options name.

    Raises:
        ConfigError: a file is missing or holds no secret.
    """
    if options.ca_file is not None and not Path(options.ca_file).is_file():
        raise ConfigError(
            f"integration {name}: ca_file is {options.ca_file!r}; allowed: path of a file with "
            "the certificates to trust instead of the system's"
        )
    if options.secret is not None:
        return WebhookTarget(name, options.secret, options)
    try:
        key = secret_bytes(Path(options.secret_file or "").read_text(encoding="utf-8").strip())
    except (OSError, ValueError) as error:
        raise ConfigError(
            f"integration {name}: secret_file is {options.secret_file!r}; allowed: path of a file "
            f"that holds {SECRET_ALLOWED}"
        ) from error
    return WebhookTarget(name, key, options)
