"""Secrets that are shown once and stored only as a salted hash.

A secret is ``PREFIX_ID_RANDOM``: the id finds the row, the random part proves the right. It has
256 random bits, so a fast hash is enough: a slow one protects secrets that people make up, and
would only cost time at every request here. With the salt the rows of two registries cannot be
compared.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass

ID_BYTES = 6
RANDOM_BYTES = 32
SALT_BYTES = 16

_SECRET = re.compile(r"([a-z]{2,12})_([0-9a-f]{12})_([A-Za-z0-9_-]{43})")


@dataclass(frozen=True, slots=True)
class NewSecret:
    """A fresh secret.

    Attributes:
        id: public part.
        secret: the whole; shown once, never stored.
        hash: salt and hash, hexadecimal; stored.
    """

    id: str
    secret: str
    hash: str


def make(prefix: str) -> NewSecret:
    """Make a secret that begins with ``prefix``."""
    id = secrets.token_hex(ID_BYTES)
    secret = f"{prefix}_{id}_{secrets.token_urlsafe(RANDOM_BYTES)}"
    salt = secrets.token_bytes(SALT_BYTES)
    return NewSecret(id, secret, f"{salt.hex()}:{_hash(salt, secret)}")


def id_of(secret: str, prefix: str) -> str | None:
    """The public part of a secret of this kind; None for anything else."""
    match = _SECRET.fullmatch(secret)
    return match[2] if match and match[1] == prefix else None


def matches(secret: str, stored: str) -> bool:
    """Whether a stored hash is that of the secret; takes the same time for every wrong one."""
    salt, _, expected = stored.partition(":")
    return hmac.compare_digest(_hash(bytes.fromhex(salt), secret), expected)


def _hash(salt: bytes, secret: str) -> str:
    return hashlib.sha256(salt + secret.encode()).hexdigest()
