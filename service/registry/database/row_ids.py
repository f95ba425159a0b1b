"""Ids of rows that the registry itself gives."""

from __future__ import annotations

import secrets
from typing import Final

_BYTES: Final = 8
"""64 random bits: short enough to type, and no two alike in one registry."""


def new_id() -> str:
    """A fresh id of a row, ``[0-9a-f]``."""
    return secrets.token_hex(_BYTES)
