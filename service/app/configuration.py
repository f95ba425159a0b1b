"""The configuration of this process."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from service.config import Config, load_config


def configuration(path: Path | None) -> Config:
    """The checked configuration, from a file and the environment.

    A fast clock without a ``started`` begins now.

    Raises:
        ConfigError: names file, key and what is allowed.
    """
    config = load_config(path, os.environ)
    if config.clock.origin is not None and config.clock.started is None:
        config = replace(config, clock=replace(config.clock, started=datetime.now(UTC)))
    return config
