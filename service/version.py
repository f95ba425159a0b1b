"""Version of this program."""

from __future__ import annotations

from importlib import metadata
from typing import Final

VERSION: Final = "0.1.0"


def package_version() -> str:
    """The version of the installed package, or of the source tree where it is not installed."""
    try:
        return metadata.version("littoral")
    except metadata.PackageNotFoundError:
        return VERSION
