"""How many tanks a process may cache, by the memory that the machine or its container has."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

SHARE: Final = 1 / 8
"""Of the memory. Our choice: broker, store and the other processes want theirs."""

TANK_BYTES: Final = 600_000
"""What a tank takes: twelve days of three sensors' means, light by the minute, CO2 of eight days
and what it was computed from, and its log."""

LEAST_TANKS: Final = 300
"""What fits a small board of 1 GB."""

CONTAINER_LIMIT: Final = Path("/sys/fs/cgroup/memory.max")
"""The limit of a container's memory in bytes, or ``max`` (Linux control groups, version 2)."""


def tanks_cached() -> int:
    """Tanks whose means are cached; those of others are read at each evaluation."""
    return max(LEAST_TANKS, int(SHARE * memory_bytes() / TANK_BYTES))


def memory_bytes(limit: Path = CONTAINER_LIMIT) -> int:
    """The memory of the machine, or less where the container has a limit."""
    machine = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    try:
        text = limit.read_text(encoding="ascii").strip()
    except OSError:  # no container, or control groups of version 1
        return machine
    return min(machine, int(text)) if text.isdigit() else machine
