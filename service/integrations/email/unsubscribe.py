"""Addresses that end the mail to one recipient: signed, so that nobody can end another's."""

from __future__ import annotations

from typing import Final

from itsdangerous import BadSignature, URLSafeSerializer

from service.errors import NotFoundError
from service.registry.registry import Registry

PATH: Final = "/mail/stop/"
PURPOSE: Final = "mail"
"""Of the signing key."""


def address_of(registry: Registry, public_url: str, target: str) -> str:
    """The address under which a recipient ends their mail."""
    return f"{public_url}{PATH}{_serializer(registry).dumps(target)}"


def target_of(registry: Registry, token: str) -> str:
    """The recipient whose mail an address ends.

    Raises:
        NotFoundError: it was not made here, or the key was replaced since.
    """
    try:
        return str(_serializer(registry).loads(token))
    except BadSignature as error:
        raise NotFoundError("there is no such link; allowed: the whole link from a mail") from error


def _serializer(registry: Registry) -> URLSafeSerializer:
    return URLSafeSerializer(registry.signing_key(PURPOSE), salt="stop mail")
