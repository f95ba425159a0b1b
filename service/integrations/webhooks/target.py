"""Where a webhook goes: its options, and the files that they name."""

from __future__ import annotations

import ssl
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from service.config import WebhookOptions
from service.config.integrations import SECRET_ALLOWED, secret_bytes
from service.errors import ConfigError

_MOST_BYTES: Final = 4096


@dataclass(frozen=True, slots=True)
class WebhookTarget:
    """One receiver.

    Attributes:
        name: of the integration in the configuration; the registry's deliveries carry it.
        key: the shared secret's bytes.
        options: as configured.
    """

    name: str
    key: bytes = field(repr=False)
    options: WebhookOptions


def webhook_target(name: str, options: WebhookOptions) -> WebhookTarget:
    """Read the files that the options name.

    Raises:
        ConfigError: a file is missing or holds no secret.
    """
    if options.ca_file is not None:
        _check_certificates(name, options.ca_file)
    if options.secret is not None:
        return WebhookTarget(name, options.secret, options)
    try:
        key = _secret_in(Path(options.secret_file or ""))
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "holds something else"
        raise ConfigError(
            f"integration {name}: secret_file is {options.secret_file!r} ({reason}); allowed: path "
            f"of a file that holds {SECRET_ALLOWED}"
        ) from error
    return WebhookTarget(name, key, options)


def _check_certificates(name: str, path: str) -> None:
    try:
        if not Path(path).is_file():  # requests takes a folder, which nothing checks
            raise ValueError("no file")
        ssl.create_default_context(cafile=path)
    except (OSError, ValueError) as error:
        raise ConfigError(
            f"integration {name}: ca_file is {path!r} ({error}); allowed: path of a PEM file with "
            "the certificates to trust instead of the system's"
        ) from error


def _secret_in(path: Path) -> bytes:
    """The secret that a file holds.

    Raises:
        OSError: it cannot be read.
        ValueError: it holds something else.
    """
    with path.open("rb") as file:
        held = file.read(_MOST_BYTES + 1)
    if len(held) > _MOST_BYTES:  # a device, or a file of another kind, has no end
        raise ValueError("too long")
    return secret_bytes(held.decode("utf-8").strip())
