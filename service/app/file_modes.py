"""Finds files of this service that others on the machine may read or change."""

from __future__ import annotations

import contextlib
import logging
import os
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from service.config import Config, EmailOptions, WebhookOptions
from service.errors import ConfigError
from service.integrations.metrics.disks import database_paths
from service.pictures.folder import folder_of
from service.private_files import FILE_MODE, FOLDER_MODE, is_wider
from service.urls import redacted

_log = logging.getLogger(__name__)
BESIDE_A_DATABASE: Final = ("", "-wal", "-shm", "-journal")
_SECRET_MODE: Final = 0o640
"""Of what somebody else wrote for us: root's, and readable by the service's group."""


def wide_files(config: Config, config_file: Path | None) -> list[str]:
    """One sentence for each that allows too much: which file, what it is, the command that helps.

    Args:
        config_file: matters only if it holds a password.
    """
    return [
        f"others on this machine may read or change {path} ({what}): chmod {mode:o} {path}"
        for path, mode, what in _places(config, config_file)
        if is_wider(path, mode)
    ]


def warn_of_wide_files(config: Config, config_file: Path | None) -> None:
    """Log each of ``wide_files``."""
    for line in wide_files(config, config_file):
        _log.warning("%s", line)


def _places(config: Config, config_file: Path | None) -> Iterator[tuple[Path, int, str]]:
    """Each file or folder, the most that it should allow, and what it is."""
    folders = set()
    for what, path in database_paths(config).items():
        folders.add(path.parent)
        for end in BESIDE_A_DATABASE:
            yield path.with_name(path.name + end), FILE_MODE, what
    for folder in sorted(folders):
        if _is_ours(folder):
            yield folder, FOLDER_MODE, "folder of the above"
    with contextlib.suppress(ConfigError):  # no folder, no pictures
        yield folder_of(config), FOLDER_MODE, "folder of pictures"
    for one in config.integrations:
        if isinstance(one.options, WebhookOptions) and one.options.secret_file is not None:
            yield Path(one.options.secret_file), _SECRET_MODE, f"secret of {one.name}"
        if isinstance(one.options, EmailOptions) and one.options.password_file is not None:
            yield Path(one.options.password_file), _SECRET_MODE, f"password of {one.name}"
    if config.mqtt.key_file is not None:
        yield Path(config.mqtt.key_file), _SECRET_MODE, "mqtt.key_file"
    if config_file is not None and _holds_a_secret(config_file):
        yield config_file, _SECRET_MODE, "it holds a password"


def _holds_a_secret(path: Path) -> bool:
    try:
        return _is_secret("", tomllib.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError):
        return False


def _is_secret(key: str, value: object) -> bool:
    """Whether a value of the configuration is a secret, or holds one."""
    if isinstance(value, dict):
        return any(_is_secret(*item) for item in value.items())
    if isinstance(value, list):
        return any(_is_secret(key, item) for item in value)
    is_url = isinstance(value, str) and "://" in value
    return key in ("password", "secret") or (is_url and redacted(str(value)) != value)


def _is_ours(folder: Path) -> bool:
    """Whether a folder is likely there for our files: this user's, and not where he works."""
    try:
        return folder.stat().st_uid == os.geteuid() and folder.resolve() not in (
            Path.cwd(),
            Path.home(),
        )
    except (OSError, RuntimeError):
        return False
