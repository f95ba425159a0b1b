"""Version of this program."""

from __future__ import annotations

from functools import cache
from typing import Final

VERSION: Final = "0.1.0"


@cache
def package_version() -> str:
    """The version of the installed package, or of the source tree where it is not installed.

    Looked up once: it is that of the code that runs.
    """
    from importlib import metadata  # not for a command line that prints its help

    try:
        return metadata.version("littoral")
    except metadata.PackageNotFoundError:
        return VERSION
