"""The empty mapping, read-only: what frozen values begin with."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

NOTHING: Mapping[str, Any] = MappingProxyType({})
